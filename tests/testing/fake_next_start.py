"""Boot files in memory, and what the start of a host does with them: a double, as `fake_kernel.py` says."""

from __future__ import annotations

import copy
from collections.abc import Callable

from orchestrator.onhost.at_start.boot_files import ArmedFile, BootFile, content_of, with_content
from orchestrator.onhost.settings.kernel import NextStart, Outcome


class FakeNextStart(NextStart):
    """Fill `files` with `put`; `start` is what a restart does: everything armed is noted and taken back."""

    def __init__(self, programs: dict[str, Callable[[list[str]], Outcome]] | None = None) -> None:
        """A host without boot files; `programs` are those that its commands run."""
        self.files: dict[str, BootFile] = {}
        self.armed: dict[str, BootFile] = {}
        self.reads: dict[str, list[str]] = {}
        self.written: dict[str, list[bytes]] = {}
        self.commands: dict[str, list[str]] = {}
        self.notes: dict[str, bytes] = {}
        self.way = "an @reboot line of cron"
        self.loader = ("", "")
        self.starts = 0
        self._programs = programs if programs is not None else {}

    def put(self, path: str, text: str) -> None:
        """A boot file as found."""
        self.files[path] = with_content(None, text.encode())

    def text(self, path: str) -> str:
        """A boot file's text now."""
        return content_of(self.files.get(path)).decode()

    def start(self) -> None:
        """The machine starts: what it finds is noted, what was armed is restored."""
        self.starts += 1
        self.notes = {}
        for path, original in self.armed.items():
            if self.files.get(path) != original and self.files.get(path) is not None:
                self.notes[path] = content_of(self.files[path])
            if self.files.get(path) is None or self.holds_written(path):
                self.write(path, original)
        for name, undo in self.commands.items():
            self.notes[f"command {name}"] = b""
            read = self.reads[name]
            if self._programs[read[0]](read).output.strip().encode() in self.written[f"command {name}"]:
                self._programs[undo[0]](undo)
        self.armed, self.written, self.commands = {}, {}, {}

    def read(self, path: str) -> BootFile:
        """A copy."""
        return copy.deepcopy(self.files.get(path))

    def write(self, path: str, file: BootFile) -> None:
        """Kept, or gone."""
        self.files[path] = copy.deepcopy(file)
        if file is None:
            del self.files[path]

    def arm_file(self, path: str, original: BootFile, wanted: bytes) -> None:
        """The first original counts."""
        self.armed.setdefault(path, copy.deepcopy(original))
        self.written.setdefault(path, []).append(wanted)

    def holds_written(self, path: str) -> bool:
        """As written since it was armed."""
        return content_of(self.files.get(path)) in self.written.get(path, [])

    def arm_command(self, name: str, undo: list[str], read: list[str], wanted: str) -> None:
        """The first value counts."""
        self.commands.setdefault(name, list(undo))
        self.reads[name] = list(read)
        self.written.setdefault(f"command {name}", []).append(wanted.encode())

    def armed_original(self, path: str) -> ArmedFile | None:
        """The original, if the next start restores it."""
        return {"file": copy.deepcopy(self.armed[path])} if path in self.armed else None

    def disarm(self, name: str) -> None:
        """Forgotten."""
        self.armed.pop(name, None)
        self.written.pop(name, None)
        self.commands.pop(name.removeprefix("command "), None)

    def started_with(self, name: str) -> bytes | None:
        """What this start found in its place."""
        return self.notes.get(name)

    def way_back(self) -> str:
        """As the test says."""
        return self.way

    def boot_loader(self) -> tuple[str, str]:
        """As the test says."""
        return self.loader
