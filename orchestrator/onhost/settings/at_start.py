"""What settings have in common that a host takes up when it starts: written for one start, in effect after it.

The boot file is changed, the next start is armed to restore it (at_start/revert.py), and only then is the host
restarted, by the run. `verify` asks for the effect in the system that runs, not for the file.
"""

from __future__ import annotations

import hashlib
import os
import re
import shlex
from typing import Generic, Iterator, TypedDict

from orchestrator.onhost.at_start.boot_files import BootFile, content_of, with_content
from orchestrator.onhost.at_start.hooks import NONE
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.told import Told, told
from orchestrator.onhost.settings.base import CANNOT, FAILED, HOST, Level, SettingOf, Verified

WRITTEN = "written, in effect after a restart"
_CHANGED = "{} was changed by somebody else since: it is left as it is"
_PATH = re.compile(r"/[\x21-\x7e]{1,250}")
_SOMEBODY_ELSES = ("/proc/", "/sys/", "/dev/", "/run/", "/tmp/")  # noqa: S108 - none of them outlasts a restart


class StartValue(TypedDict):
    """A boot file, and with what this start began."""

    path: str
    file: BootFile
    started: str  # what tells this start from one with another level
    by_trial: bool  # whether the file was not as found in this start


class AtStart(SettingOf[Level, StartValue], Generic[Level]):
    """A setting in a boot file; subclasses say which file, what is to be in it, and what shows the effect."""

    scope = HOST
    survives_reboot = True  # the file does, until the next start has restored it
    costly = True
    cheap_to_read = False
    whole_machine = True

    def restarts(self, level: object) -> bool:
        """Always."""
        return True

    def _restart_due(self, before: StartValue, now: StartValue) -> bool:
        """Whether this start is another than that of `before`, and one more would help.

        Before may itself have been the start of an earlier run's trial: no plain start brings that back.
        """
        return before["started"] != now["started"] and (
            bool(now.get("by_trial")) or not before.get("by_trial")  # a record of an earlier version has none
        )

    def apply(self, target: str, level: object) -> None:
        """Write what the next start is to find, armed; nothing stays written when the level is in effect. Refusal."""
        self._require_possible(target, level)
        with self._explained(target):
            if self._holds(target, level):
                self._take_back(self._path(level))
            else:
                self.write_for_next_start(target, level)

    def write_for_next_start(self, target: str, level: object) -> Verified:
        """Write it, armed; a level that the file as found has anyway leaves the file as found."""
        self._require_possible(target, level)
        with self._explained(target):
            path = self._path(level)
            start, original = self._kernel.next_start(), self._original(path)
            wanted = self._wanted(level, content_of(original))
            if wanted == content_of(original):
                self._take_back(path)
            else:
                self._check_ours(path)
                start.arm_file(path, original, wanted)
                start.write(path, with_content(original, wanted))
            ok = content_of(start.read(path)) == wanted
            return {
                "ok": ok,
                "seen": WRITTEN,
                "why": "" if ok else f"{path} does not hold what was written",
                "restart": True,
            }

    def holds_ours(self, target: str, level: object) -> bool:
        """Whether the file is as we write it for this level; one that no start is to restore holds nothing of ours."""
        path, start = self._path(level), self._kernel.next_start()
        armed = start.armed_original(path)
        return armed is not None and content_of(start.read(path)) == self._wanted(level, content_of(armed["file"]))

    # --- what each setting fills --------------------------------------------------------------------------------------
    def _path(self, level: object) -> str:
        """The boot file. Raises Refusal where the host has none."""
        raise NotImplementedError

    def _wanted(self, level: object, original: bytes) -> bytes:
        """What the file must hold for a start with this level."""
        raise NotImplementedError

    def _started(self, path: str) -> str:
        """What tells this start from one with another level."""
        with_what = self._kernel.next_start().started_with(path)
        return "" if with_what is None else hashlib.sha256(with_what).hexdigest()

    # --- shared -------------------------------------------------------------------------------------------------------
    def _cannot(self, target: str, level: object) -> str:
        """No way back, or no folder to write into."""
        if not self._kernel.next_start().way_back():
            return f"{self._called(target)}: {NONE}"
        folder = os.path.dirname(self._path(level)) or "/"
        return "" if self._kernel.exists(folder) else f"{self._called(target)}: this host has no folder {folder}"

    def _read(self, target: str, level: object) -> StartValue:
        path = self._path(level)
        if not self._kernel.exists(os.path.dirname(path) or "/"):
            raise Refusal(CANNOT, self._cannot(target, level), target=target)
        start = self._kernel.next_start()
        return {
            "path": path,
            "file": start.read(path),
            "started": self._started(path),
            "by_trial": start.started_with(path) is not None,
        }

    def _same(self, before: StartValue, now: StartValue) -> bool:
        return before["path"] == now["path"] and before["file"] == now["file"]

    def _restored(self, target: str, before: StartValue) -> None:
        start = self._kernel.next_start()
        now: StartValue = {**before, "file": start.read(before["path"])}
        if not self._same(before, now):
            if start.armed_original(before["path"]) is None:
                raise Refusal(FAILED, _CHANGED.format(before["path"]))
            self._check_ours(before["path"])
            start.write(before["path"], before["file"])
        start.disarm(before["path"])

    def _mended(self, target: str, value: StartValue) -> str:
        path, file = shlex.quote(value["path"]), value["file"]
        return f"rm -f {path}" if file is None else f"printf %s {file['content']} | base64 -d >{path}"

    def _told(self, target: str, before: StartValue, now: StartValue) -> Iterator[Told]:
        """A boot file is told by its size and the beginning of its sum: nobody compares two files in a line."""
        yield told(f"file {before['path']}", _file_in_words(before), _file_in_words(now), self._mended(target, before))

    def _original(self, path: str) -> BootFile:
        """The file as found, also while it is changed."""
        armed = self._kernel.next_start().armed_original(path)
        return self._kernel.next_start().read(path) if armed is None else armed["file"]

    def _check_ours(self, path: str) -> None:
        """Refusal when somebody else has changed a file since we wrote it."""
        start = self._kernel.next_start()
        armed = start.armed_original(path)
        if armed is not None and start.read(path) not in (None, armed["file"]) and not start.holds_written(path):
            raise Refusal(FAILED, _CHANGED.format(path))

    def _take_back(self, path: str) -> None:
        """The file as found, where the next start was to restore it."""
        start = self._kernel.next_start()
        armed = start.armed_original(path)
        if armed is not None:
            self._check_ours(path)
            start.write(path, armed["file"])
            start.disarm(path)


def _file_in_words(value: StartValue) -> str:
    content = content_of(value["file"])
    if value["file"] is None:
        return "no such file"
    return f"{len(content)} bytes (SHA-256 {hashlib.sha256(content).hexdigest()[:12]})"


def path_problem(path: object) -> str:
    """Why this is no boot file's path; empty when it can be one. Pure."""
    if not isinstance(path, str) or not _PATH.fullmatch(path):
        return "file is the whole path of a boot file, such as /boot/parameters"
    if os.path.normpath(path) != path or path.endswith("/"):
        return f"file is written without detours: {os.path.normpath(path)}"
    if path.startswith(_SOMEBODY_ELSES):
        return f"{path} does not outlast a restart, so it is no boot file"
    return ""
