"""A helper started by its real start command on this machine, with a /run of its own; no SSH in between."""

from __future__ import annotations

import contextlib
import itertools
import os
import select
import signal
import subprocess
import time
from pathlib import Path
from typing import Any, Self

from orchestrator.act.bundle import MARKER, helper_bundle
from orchestrator.onhost.service.frames import FrameReader, encode

SYSTEM_PATH = "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin"
_ENTER = 'mount --bind "$0" /run && exec /bin/sh -c "$1"'


class Refused(Exception):  # noqa: N818 - the host's word for it
    """The helper answered with an error."""

    def __init__(self, error: dict[str, Any]) -> None:
        super().__init__(f"{error['code']}: {error['message']}")
        self.code, self.message, self.values = error["code"], error["message"], error["values"]


class HelperTalk:
    """One helper, wherever its start command runs: asked and answered over the pipes of that process."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        """`process` was started unbuffered, with pipes."""
        self.process = process
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.stdin, self.stdout = self.process.stdin, self.process.stdout
        self._frames = FrameReader()
        self._numbers = itertools.count(1)
        self._waiting: list[dict[str, Any]] = []
        self.marker = self._until_marker()
        self.stdin.write(helper_bundle().blob)
        self.hello = self.next_message()["body"]

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def ask(self, verb: str, args: dict[str, Any] | None = None, timeout_s: float = 20.0) -> dict[str, Any]:
        """The answer; Refused when it is an error."""
        return self.answer(self.begin(verb, args, timeout_s))

    def begin(self, verb: str, args: dict[str, Any] | None = None, timeout_s: float = 20.0) -> int:
        """Send a request; its number."""
        number = next(self._numbers)
        self.write({"id": number, "verb": verb, "args": args or {}, "timeout_s": timeout_s})
        return number

    def answer(self, number: int, patience_s: float = 30.0) -> dict[str, Any]:
        """The final answer to a request; others and events are kept."""
        kept = []
        try:
            while True:
                message = self.next_message(patience_s)
                if message["id"] == number and message["kind"] == "error":
                    raise Refused(message["error"])
                if message["id"] == number and message["kind"] == "done":
                    return dict(message["body"])
                kept.append(message)
        finally:
            self._waiting = kept + self._waiting

    def write(self, message: dict[str, Any]) -> None:
        """One message as it is."""
        self.stdin.write(encode(message))

    def next_message(self, patience_s: float = 30.0) -> dict[str, Any]:
        """Whatever the helper says next."""
        until = time.monotonic() + patience_s
        while not self._waiting:
            data = self._read(until)
            if not data:
                raise EOFError(self.complaint())
            self._waiting += list(self._frames.feed(data))
        return self._waiting.pop(0)

    def complaint(self) -> str:
        """What it wrote to its standard error, once it has ended."""
        assert self.process.stderr is not None
        self.process.wait(20)
        return self.process.stderr.read().decode()

    def kill(self) -> None:
        """SIGKILL, as the kernel does it when memory is short."""
        os.kill(self.hello["pid"], signal.SIGKILL)
        self.process.wait(20)

    def end(self) -> None:
        """Hang up, as a controller that goes away."""
        with contextlib.suppress(OSError):
            self.stdin.close()
        try:
            self.process.wait(20)
        finally:
            self.process.kill()
            self.process.wait()
            self.stdout.close()
            assert self.process.stderr is not None
            self.process.stderr.close()

    def _until_marker(self) -> str:
        seen = b""
        while not seen.endswith(b"\n"):
            data = self.stdout.read(1)
            if not data:
                raise EOFError(self.complaint())
            seen += data
        text = seen.decode()
        assert text.startswith(MARKER), text
        return text

    def _read(self, until: float) -> bytes:
        ready, _, _ = select.select([self.stdout], [], [], max(0.0, until - time.monotonic()))
        if not ready:
            raise TimeoutError("the helper said nothing")
        return os.read(self.stdout.fileno(), 1 << 18)


class HelperProcess(HelperTalk):
    """One helper here. Several may share a `run_folder`: it stands for the host, they for sessions with it."""

    def __init__(self, run_folder: Path, python: str = "", *, boottime_offset_s: int | None = None) -> None:
        """`python`: a folder with another python3. `boottime_offset_s`: a CLOCK_BOOTTIME of its own, off by so much."""
        path = f"{python}:{SYSTEM_PATH}" if python else SYSTEM_PATH
        private = ["unshare", "--mount", *([] if os.getuid() == 0 else ["--user", "--map-root-user"])]
        if boottime_offset_s is not None:  # time_namespaces(7)
            private += ["--time", "--boottime", str(boottime_offset_s)]
        super().__init__(
            subprocess.Popen(
                [*private, "/bin/sh", "-c", _ENTER, str(run_folder), helper_bundle().command()],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                bufsize=0,
                env={"PATH": path, "HOME": str(run_folder)},
            )
        )


def file_setting(folder: Path, name: str = "dial", value: str = "old") -> tuple[Path, dict[str, Any]]:
    """A file whose content is a setting of the host, and the place {setting, target, level} that a plan would name."""
    file = folder / name
    file.write_text(value)
    level = {"read": ["cat", str(file)], "write": ["sh", "-c", f'printf %s "$0" > {file}', "{level}"], "level": "new"}
    return file, {"setting": "command", "target": name, "level": level}


def with_level(place: dict[str, Any], level: str) -> dict[str, Any]:
    """The same place with another level."""
    return {**place, "level": {**place["level"], "level": level}}
