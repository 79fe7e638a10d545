"""How many packets may wait in an interface's default queue."""

from __future__ import annotations

from shlex import quote

from orchestrator.onhost.settings import levels
from orchestrator.onhost.settings.base import SettingOf

_MOST = 1_000_000


class TransmitQueueLength(SettingOf[int, int]):
    """Used by the simple disciplines when they are made; a discipline that stands keeps the limit it began with."""

    name = "transmit-queue-length"
    unit = "packets"
    doc = "Packets that may wait in the interface's simple queue."
    example = "10000"
    domain_text = f"1 to {_MOST}"
    touches = ("link:{target}:transmit_queue_length", "qdisc:{target}:")

    def _parsed(self, level: object) -> int:
        return levels.whole(level, 1, _MOST, "a transmit queue's length", self.unit)

    def _current(self, target: str, level: object) -> int:
        return self._link(target)["transmit_queue_length"] or 0

    def _read(self, target: str, level: object) -> int:
        return self._current(target, level)

    def _write(self, target: str, level: object) -> None:
        self._kernel.set_link(self._link(target)["index"], transmit_queue_length=self._parsed(level))

    def _restored(self, target: str, before: int) -> None:
        link = self._link(target)
        if link["transmit_queue_length"] != before:
            self._kernel.set_link(link["index"], transmit_queue_length=before)

    def _kept(self, target: str, level: object) -> str:
        return self._mended(target, self._parsed(level))

    def _mended(self, target: str, value: int) -> str:
        return f"ip link set dev {quote(target)} txqueuelen {value}"
