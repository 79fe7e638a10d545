"""Fields whose kind is known: releases, versions, times, drivers, counters, levels, boot parameters. Pure."""

from __future__ import annotations

import json
import math
import re
from typing import Any

from orchestrator.report.public.reviewed import (
    BOOT_FLAGS,
    BOOT_PARAMETERS,
    BUILD_WORDS,
    COUNTER_WORDS,
    FREE_LEVELS,
    KERNEL_FLAVOURS,
    KERNEL_INTERFACE,
    MODULES,
    SETTINGS,
    TRAFFIC,
)
from orchestrator.report.public.scrubber import Scrubber
from orchestrator.results.write import cell_text, restore_text

_TIME = re.compile(r"20\d\d-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?(Z|\+00:00)")
_RUN_ID = re.compile(r"(.*)-(20\d{6}T\d{6}Z)-([0-9a-f]{4})", re.DOTALL)
_NUMBER = re.compile(r"-?(0|[1-9]\d{0,18})(\.\d{1,20})?(e[+-]?\d{1,3})?|-?inf|nan")
_WHOLE = re.compile(r"-?(0|[1-9]\d{0,17})(\.0)?")
_VERSION = re.compile(r"v?\d{1,2}(\.\d{1,3}){0,2}(-?(k|rc\d{1,2}|a\d|b\d|dev\d?))?")
_RELEASE = re.compile(r"(\d{1,2}\.\d{1,3}(?:\.\d{1,3})?)([-+~_].*)?")
_BUS = re.compile(r"[0-9a-f]{4}:[0-9a-f]{2}:[0-1][0-9a-f]\.[0-7]|virtio\d{1,3}|\d{1,2}-\d(\.\d){0,4}:\d\.\d")
# One letter after many digits is as likely the end of a serial number.
_LEVEL_NUMBER = re.compile(r"\d{1,9}(\.\d{1,6})?([kMGT]?bit/s|[kM]?frame/s|[kKMG]i?B|%|ms|us|µs|[kMG]?Hz)?|\d{1,4}[Bs]")
_CORES = re.compile(r"\d{1,3}(-\d{1,3})?(,\d{1,3}(-\d{1,3})?){0,31}")
_SMALL = re.compile(r"\d{1,3}")
_DOTTED_QUAD = re.compile(r"(\d{1,3}\.){3}\d{1,3}")
_HOLD = re.compile(r"hold-\d{1,3}")
_INTERVAL = re.compile(r"(t|bootstrap BCa), n \d{1,6}")
_OUTLIERS = re.compile(r"outliers:\d{1,6}")
# Settings whose level is several numbers; elsewhere several are no level but somebody's number.
_OF_SEVERAL = frozenset({"tcp-receive-memory", "tcp-transmit-memory", "tcp-memory", "interrupt-cores"})
_MOST_WHOLE = 2**63
_MOST_NUMBERS = 3  # in the name of a counter


class Fields:
    """Judges by what a field is; `scrubber` has the names and stand-ins of the run."""

    def __init__(self, scrubber: Scrubber) -> None:
        self.scrubber = scrubber
        self._give = scrubber.stand_ins.give

    def run_id(self, text: str) -> str:
        """The plan's stand-in and the time; the short id is made by chance."""
        found = _RUN_ID.fullmatch(text)
        if found is None:
            return self._give("run", text) if text else ""
        return f"{self.scrubber.name('plan', found[1])}-{found[2]}-{found[3]}"

    def time(self, text: str) -> str:
        """A time of day as we write it."""
        return text if not text or _TIME.fullmatch(text) else self._give("time", text)

    def number(self, value: Any) -> int | float | bool | None:
        """A number of JSON; None for whatever else stands there."""
        if isinstance(value, bool) or value is None:
            return value
        if isinstance(value, int):
            return value if abs(value) < _MOST_WHOLE else None
        return value if isinstance(value, float) and math.isfinite(value) else None

    def version(self, text: str) -> str:
        """A version of two or three numbers, or a kernel's release, as drivers of its tree have it."""
        return text if not text or _VERSION.fullmatch(text) else self.release(text, "version")

    def release(self, text: str, kind: str = "kernel") -> str:
        """A kernel's release: its numbers, and after them words that distributions use; another tail has a stand-in."""
        found = _RELEASE.fullmatch(text)
        if found is None:
            return self._give(kind, text) if text else ""
        tail = found[2] or ""
        parts = [part for part in re.split(r"[-+~_.]", tail) if part]
        if (
            all(part in KERNEL_FLAVOURS or re.fullmatch(r"\d{1,3}|rc\d{1,2}|rt\d{1,3}", part) for part in parts)
            and not _DOTTED_QUAD.search(tail)
            and len(tail) <= 60
        ):
            return text
        return f"{found[1]}-{self._give(kind, tail)}"

    def build(self, text: str) -> str:
        """The words of a kernel's build that say how it schedules, and nothing of who made it where."""
        words = text.split()
        kept = [word for word in words if word in BUILD_WORDS or re.fullmatch(r"#\d{1,3}", word)]
        return text if kept == words else " ".join([*kept, self._give("build", text)])

    def interface(self, text: str) -> str:
        """A name as the kernel or systemd gives it by place; one by MAC, or by the user, has a stand-in."""
        kind, colon, mark = text.partition(":")
        if colon and kind in ("mac", "bus", "driver"):
            return f"{kind}:{ {'mac': self.scrubber.mac, 'bus': self.bus, 'driver': self.driver}[kind](mark) }"
        fine = KERNEL_INTERFACE.fullmatch(text) and not self.scrubber.names.is_personal(text)
        return text if not text or fine else self._give("interface", text)

    def bus(self, text: str) -> str:
        """Where on the bus a card sits."""
        return text if not text or _BUS.fullmatch(text) else self._give("bus", text)

    def driver(self, text: str) -> str:
        """A driver, or another module, of the kernel's tree."""
        name = text.partition(" ")[0]
        fine = name.replace("-", "_") in MODULES and not self.scrubber.names.is_personal(name)
        return text if not text else name if fine else self._give("driver", name)

    def counter(self, text: str) -> str:
        """A driver's counter: each word of it by itself."""
        parts = re.split(r"([._\-\[\]: ]+|(?<=[a-z])(?=[\dA-Z])|(?<=\d)(?=[a-z]))", text)
        judged = [part for part in parts if part and not re.fullmatch(r"[._\-\[\]: ]+", part)]
        numbers = [part for part in judged if _SMALL.fullmatch(part)]
        # Queue 3 of 4, frames from 64 to 127: more numbers than that, or numbers first, are an address.
        fine = (
            len(numbers) <= _MOST_NUMBERS
            and not text[:1].isdigit()
            and all(part in numbers or part.lower() in COUNTER_WORDS for part in judged)
        )
        return text if fine else self._give("counter", text)

    def interval_method(self, text: str) -> str:
        """How an interval was made, over how many values."""
        return text if _INTERVAL.fullmatch(text) else self.scrubber.text(text)

    def remarks(self, text: str) -> str:
        """What is said of a cell's values, code by code."""
        return " ".join(word if _OUTLIERS.fullmatch(word) else self.scrubber.text(word) for word in text.split())

    def boot_parameters(self, text: str) -> str:
        """The kernel's command line: parameters that only switch its behaviour; each other has a stand-in."""
        return " ".join(self._boot_parameter(one) for one in text.split())

    def _boot_parameter(self, text: str) -> str:
        name, equals, value = text.partition("=")
        shape = BOOT_PARAMETERS.get(name)
        if text in BOOT_FLAGS or (equals and shape is not None and shape.fullmatch(value)):
            return text
        return self._give("boot parameter", text)

    # -- factors and their levels

    def factor(self, name: str) -> str:
        """A factor's name: a setting or traffic factor of ours, or a stand-in."""
        ours = name in SETTINGS | TRAFFIC or _HOLD.fullmatch(name)
        if ours and not self.scrubber.names.is_personal(name):
            return name
        if name.startswith(("feature.", "net.")):
            prefix, _, rest = name.partition(".")
            return f"{prefix}.{self.counter(rest).replace(' ', '-')}"
        return self.scrubber.name("factor", name)

    def level(self, setting: str, value: Any) -> Any:
        """A level as it stands in JSON; `setting` is what the factor varies."""
        if value is None or isinstance(value, bool):
            return value
        if isinstance(value, int | float):
            judged = self.level_text(setting, cell_text(value))
            return value if judged == cell_text(value) else judged
        return self.level_text(setting, restore_text(cell_text(value)))

    def level_text(self, setting: str, text: str) -> str:
        """A level as it stands in a table."""
        if not text or setting in ("kernel", "boot-lines"):
            return self.release(text) if setting == "kernel" else self.boot_parameters(text)
        if text.startswith("{"):
            return self._mapping_level(setting, text)
        shapes = (_LEVEL_NUMBER, _CORES) if _is_ours(setting) else (_SMALL,)
        parts = text.split() if setting in _OF_SEVERAL else [text]
        if all(any(shape.fullmatch(part) for shape in shapes) for part in parts):
            return text
        if "+" in text:  # links at once
            return "+".join(self.scrubber.text(part) for part in text.split("+"))
        return self.scrubber.level(text)

    def _mapping_level(self, setting: str, text: str) -> str:
        """A level of several values by name, such as the two directions of a setting."""
        try:
            value = json.loads(text)
        except (ValueError, RecursionError):
            return self._give("level", text)
        if not _is_ours(setting) or not isinstance(value, dict):
            return self._give("level", text)
        judged = {self.counter(str(key)): self.level(setting, inner) for key, inner in value.items()}
        return json.dumps(judged, sort_keys=True, ensure_ascii=False)


def _is_ours(setting: str) -> bool:
    return setting in (SETTINGS | TRAFFIC) - FREE_LEVELS or setting.startswith(("feature.", "net."))


def is_number(text: str, *, whole: bool) -> bool:
    """Whether a field of a table is a number, or a whole one, as we write it; an empty field is none, and harmless."""
    return not text or bool((_WHOLE if whole else _NUMBER).fullmatch(text))
