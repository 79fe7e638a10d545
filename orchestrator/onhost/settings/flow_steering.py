"""Sending a flow's packets to the core where its program runs (RFS): a table for the host, a share for each queue."""

from __future__ import annotations

from typing import Dict, TypedDict

from orchestrator.onhost.safety.spelled import sysctl_command
from orchestrator.onhost.settings import levels, queues
from orchestrator.onhost.settings.base import SettingOf

_TABLE = "net/core/rps_sock_flow_entries"
_FILE = "rps_flow_cnt"
_MOST = 1 << 20


class _Entries(TypedDict):
    """Of the host's table, and of each queue's share; as the files' texts."""

    table: str
    queues: Dict[str, str]


class FlowSteering(SettingOf[int, _Entries]):
    """Entries of the host's table; every receive queue gets its share, and both must be there to work.

    The table belongs to the machine, so that no namespace but the first may set it.
    """

    name = "flow-steering"
    unit = "flows"
    doc = "Flows whose packets go to the core where their program runs; 0 is off."
    example = "32768"
    domain_text = f"0 to {_MOST}; the kernel rounds up to a power of two"
    whole_machine = True
    touches = ("steering:{target}:queues/rx-*/rps_flow_cnt", "sysctl::core/rps_sock_flow_entries")
    after = ("channels", "receive-steering")

    def _parsed(self, level: object) -> int:
        entries = levels.whole(level, 0, _MOST, "the number of flows")
        return 1 << (entries - 1).bit_length() if entries else 0

    def _current(self, target: str, level: object) -> object:
        found = self._read(target, level)
        shares = {int(text) for text in found["queues"].values()}
        table = int(found["table"])
        fits = shares == {table // max(len(found["queues"]), 1)}
        return table if fits else found

    def _read(self, target: str, level: object) -> _Entries:
        return {
            "table": self._kernel.read_text(f"/proc/sys/{_TABLE}"),
            "queues": queues.read_files(self._kernel, self._link(target), (_FILE,)),
        }

    def _write(self, target: str, level: object) -> None:
        found, entries = self._read(target, level), self._parsed(level)
        share = entries // max(len(found["queues"]), 1)
        self._restored(target, {"table": str(entries), "queues": dict.fromkeys(found["queues"], str(share))})

    def _restored(self, target: str, before: _Entries) -> None:
        if self._kernel.read_text(f"/proc/sys/{_TABLE}") != before["table"]:
            self._kernel.write_text(f"/proc/sys/{_TABLE}", before["table"])
        queues.write_files(self._kernel, self._link(target), before["queues"])

    def _kept(self, target: str, level: object) -> str:
        entries, files = self._parsed(level), f"/sys/class/net/{target}/queues/rx-*"
        return (
            f"{sysctl_command(_TABLE, str(entries))} && for queue in {files}; do "
            f"echo $(( {entries} / $(ls -d {files} | wc -l) )) > $queue/{_FILE}; done"
        )

    def _mended(self, target: str, value: _Entries) -> str:
        return " && ".join([sysctl_command(_TABLE, value["table"]), *queues.commands(target, value["queues"])])
