"""Settings that a plan has to say more about than a level: a command's programs, the boot file of lines or kernels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from orchestrator.planning import grammar
from orchestrator.planning.cells import BOOT_LINES, COMMAND, lines_text
from orchestrator.planning.document import Document, Json, Path, shown
from orchestrator.planning.plan import level_text

KERNEL = "kernel"
_LONGEST_LEVEL = 200
_OWN: Mapping[str, Sequence[str]] = {
    COMMAND: ("read", "write", "wait", "check", "reboot"),
    BOOT_LINES: ("file", "form", "effect", "check"),
    KERNEL: ("file",),
}
_NEEDED: Mapping[str, Mapping[str, tuple[str, str]]] = {  # key: what it is, an example
    COMMAND: {
        "read": ("a list of a program and its arguments", "read: [cat, FILE]"),
        "write": ("a list of a program and its arguments", 'write: [set-it, "{level}"]'),
    },
    BOOT_LINES: {"file": ("the boot file that the lines are added to", "file: /boot/config")},
}
OWN_KEYS = tuple(dict.fromkeys(key for keys in _OWN.values() for key in keys))
NOT_IN_A_BUNDLE = frozenset(_OWN)  # a bundle's levels have no place for these keys
Text = grammar.Hold | grammar.Factor


def check_own_keys(document: Document, text: Text, setting: str, path: Path) -> bool:
    """Whether the setting can be judged: it has all the keys that it needs, and none of another's."""
    given = [key for key in OWN_KEYS if document.at((*path, key)) is not None]
    for key in given:
        if key not in _OWN.get(setting, ()):
            owners = " and ".join(name for name, keys in _OWN.items() if key in keys)
            said = f"'{key}' belongs to {owners}, not to {setting}"
            document.report((*path, key), "clash", said, f"leave {key} out", key=True)
    needed = _NEEDED.get(setting, {})
    for key, (what, such) in needed.items():
        if key not in given:
            document.report(
                path, "missing-key", f"the setting {setting} needs '{key}': {what}", f"such as {such}", key=True
            )
    if setting == COMMAND and text.write is not None and not any("{level}" in part for part in text.write[1:]):
        said = "no argument of write says {level}: every level would do the same"
        document.report((*path, "write"), "bad-value", said, 'such as write: [set-it, "{level}"]')
        return False
    return all(key in given for key in needed)


def own_level(document: Document, text: Text | None, setting: str, raw: Json, path: Path) -> tuple[Json, Json] | None:
    """(the level as the matrix shows it, as the host gets it); None when it is reported as none."""
    if text is None or setting not in _OWN:
        return raw, raw
    if setting == BOOT_LINES:
        return _boot_lines(text, raw)
    if raw is None or isinstance(raw, list | dict):
        document.report(path, "bad-level", f"a level of a {setting} is one word or number, not {shown(raw)}")
        return None
    level = document.texts.get(path, level_text(raw))  # 6.10 is not 6.1
    if setting == KERNEL:
        return level, {"level": level, "file": text.file or ""}
    if not 0 < len(level) <= _LONGEST_LEVEL or not level.isprintable():
        problem = f"a level of a command is 1 to {_LONGEST_LEVEL} characters in one line"
        document.report(path, "bad-level", problem)
        return None
    value: dict[str, Any] = {
        "read": list(text.read or ()),
        "write": list(text.write or ()),
        "wait_s": text.wait_s or 0.0,
        "check": list(text.check or ()),
        "level": level,
    }
    if text.reboot:
        value["reboot"] = True
    return level, value


def _boot_lines(text: Text, raw: Json) -> tuple[Json, Json]:
    lines = raw.splitlines() if isinstance(raw, str) else raw
    value: dict[str, Json] = {
        "level": list(lines) if isinstance(lines, list) else lines,
        "file": text.file or "",
        "form": text.form or "block",
        "effect": text.effect or "",
        "check": [*(text.check or ())],
    }
    if not isinstance(lines, list) or not all(isinstance(line, str) for line in lines):
        return raw, value  # the setting itself says what is wrong with it
    return lines_text(lines), value
