"""Kernel parameters below net: what those with a setting of their own share, and any other by its name."""

from __future__ import annotations

import re
from typing import Dict, Tuple

from orchestrator.onhost.safety.spelled import sysctl_command
from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.base import HOST, Level
from orchestrator.onhost.settings.in_parts import InParts
from orchestrator.onhost.settings.kernel import Kernel

_TREE = "/proc/sys"
_PART = re.compile(r"[A-Za-z0-9_@+-][A-Za-z0-9_.@+-]{0,63}")
_MOST_PARTS, _MOST_CHARACTERS = 8, 200


class SysctlSetting(InParts[Level, str]):
    """One or more files of /proc/sys that all take the same text; subclasses name them and read the level."""

    scope = HOST
    paths: Tuple[str, ...] = ()  # below /proc/sys, with slashes

    def _current(self, target: str, level: object) -> object:
        found = self._read(target, level)
        values = set(found.values())
        return self._read_level(values.pop()) if len(values) == 1 else found

    def _read(self, target: str, level: object) -> Dict[str, str]:
        return {path: " ".join(self._kernel.read_text(f"{_TREE}/{path}").split()) for path in self.paths}

    def _read_level(self, text: str) -> object:
        """A file's text as a level is read."""
        return int(text)

    def _written(self, level: object) -> str:
        """A level as the files take it."""
        return str(self._parsed(level))

    def _write(self, target: str, level: object) -> None:
        self._restored(target, dict.fromkeys(self.paths, self._written(level)))

    def _restored(self, target: str, before: Dict[str, str]) -> None:
        for path, text in before.items():
            if " ".join(self._kernel.read_text(f"{_TREE}/{path}").split()) != text:
                self._kernel.write_text(f"{_TREE}/{path}", text)

    def _kept(self, target: str, level: object) -> str:
        return " && ".join(sysctl_command(path, self._written(level)) for path in self.paths)

    def _mended(self, target: str, value: Dict[str, str]) -> str:
        return " && ".join(sysctl_command(path, text) for path, text in value.items())

    def _part_called(self, target: str, part: str) -> str:
        return part if "." in part else part.replace("/", ".")


class Sysctl(SysctlSetting[str]):
    """Any parameter below net by its own name, such as net.ipv4.tcp_sack; with slashes where a part has a dot."""

    unit = ""
    doc = "Any kernel parameter below net, by its name; slashes instead of dots where an interface's name has a dot."
    example = "1"
    domain_text = "one line of text, as the kernel takes it"

    def __init__(self, kernel: Kernel, name: str) -> None:
        """Raise KeyError when `name` is not the name of a parameter below net."""
        super().__init__(kernel)
        parts = name.split("/" if "/" in name else ".")
        if parts[0] != "net" or not 3 <= len(parts) <= _MOST_PARTS or not all(map(_PART.fullmatch, parts)):
            raise KeyError(name)
        self.name = name
        self.paths = ("/".join(parts),)
        self.touches = (f"sysctl:*:{'/'.join(parts[1:])}",)

    def _parsed(self, level: object) -> str:
        if isinstance(level, bool) or not isinstance(level, (int, str)):
            raise ValueError(f"{self.name} is one line of text or a whole number, not {levels.shown(level)}")
        text = " ".join(str(level).split(" "))
        if not text.strip() or len(text) > _MOST_CHARACTERS or not text.isprintable():
            raise ValueError(f"{self.name} is one line of text or a whole number, not {levels.shown(level)}")
        return " ".join(text.split())

    def _read_level(self, text: str) -> str:
        return text
