"""Files on a guest's disk, read and written from outside while the guest is off: with debugfs, without mounting."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

from orchestrator.lab.guests.missing import GuestError
from orchestrator.lab.places import SYSTEM_FOLDERS

_TIMEOUT_S = 30
READERS = {"debugfs": "e2fsprogs", "e2fsck": "e2fsprogs"}


class Disk:
    """An ext4 file system in a file. Only for a guest that is off: its kernel would not see what we write."""

    def __init__(self, image: Path) -> None:
        """`image` is the file."""
        self.image = image

    def replay_journal(self) -> None:
        """Bring the file system to its last committed state; after a power cut debugfs would show the one before."""
        done = self._run(["e2fsck", "-p", "-E", "journal_only", str(self.image)])
        if done.returncode > 1:  # e2fsck(8): 1 = errors corrected
            raise GuestError(f"{self.image}: the journal cannot be replayed: {_words(done)}")

    def read(self, path: str) -> bytes | None:
        """A file's content, None when there is none."""
        with tempfile.NamedTemporaryFile() as copy:
            self._debugfs(f"dump {path} {copy.name}")
            found = b"Inode:" in self._debugfs(f"stat {path}").stdout
            return Path(copy.name).read_bytes() if found else None

    def names(self, folder: str) -> list[str]:
        """What lies in a folder."""
        listing = self._debugfs(f"ls -p {folder}").stdout.decode(errors="replace")
        fields = [line.split("/") for line in listing.splitlines() if line.startswith("/")]
        return sorted(field[5] for field in fields if len(field) > 5 and field[5] not in (".", ".."))

    def write(self, path: str, content: bytes, mode: int = 0o644) -> None:
        """Put a file there, owned by root, instead of the one that may be there."""
        with tempfile.NamedTemporaryFile() as source:
            source.write(content)
            source.flush()
            Path(source.name).chmod(mode)
            self._debugfs(f"rm {path}", change=True)
            self._debugfs(f"write {source.name} {path}", change=True)
        if self.read(path) != content:
            raise GuestError(f"{self.image}: {path} could not be written")

    def remove(self, path: str) -> None:
        """Remove a file if it is there."""
        self._debugfs(f"rm {path}", change=True)
        if self.read(path) is not None:
            raise GuestError(f"{self.image}: {path} could not be removed")

    def _debugfs(self, request: str, *, change: bool = False) -> subprocess.CompletedProcess[bytes]:
        """One request; debugfs ends with 0 whatever happened, so callers look at the result instead."""
        return self._run(["debugfs", *(["-w"] if change else []), "-R", request, str(self.image)])

    @staticmethod
    def _run(argv: list[str]) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run(
            argv,
            env={"PATH": f"/usr/bin:/bin:{SYSTEM_FOLDERS}", "LC_ALL": "C"},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=_TIMEOUT_S,
            check=False,
        )


def _words(done: subprocess.CompletedProcess[bytes]) -> str:
    return (done.stderr or done.stdout).decode(errors="replace").strip()
