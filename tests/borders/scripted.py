"""A session whose host answers with mutated recordings: the real session, channel and frames, without a network."""

from __future__ import annotations

import asyncio
import random
import struct
import zlib
from typing import Any

from orchestrator.act.addresses import HostAddress
from orchestrator.act.session import HostSession
from tests.borders.mutations import RECORDED, mutated, text_of

ANSWERS: dict[str, list[dict[str, Any]]] = {}
for one in RECORDED["answers"]:
    ANSWERS.setdefault(one["verb"], []).append(one)


_LEFT = {
    "setting": "mtu",
    "target": "eth1",
    "before": {"mtu": 1500, "children": {}, "ipv6": {}},
    "now": None,
    "why": "the driver refused it",
    "command": "ip link set dev eth1 mtu 1500",
}
_HELD = {
    "run_id": "run-1",
    "holder": "ann@desk, process 7, folder /runs/run-1",
    "since_wall_ns": 1,
    "left_s": 3.5,
    "lease_s": 10.0,
    "standing": "held",
}
# What no recording holds: a host that owes something, that has been released, that refuses.
_VALUE = {"mtu": 9000, "children": {}, "ipv6": {}}
ANSWERS["read"] = [
    {
        "kind": "done",
        "content": {"places": [{"setting": "mtu", "target": "eth1", "level": 1500, "why": "", "value": _VALUE}]},
    }
]
ANSWERS["adopt"] = [{"kind": "done", "content": {"before": []}}]
ANSWERS["recover"] += [
    {
        "kind": "done",
        "content": {
            "found": _HELD,
            "restored": [],
            "left": [_LEFT],
            "conflicts": [_LEFT],
            "mark": "",
            "compared": None,
            "restart": [],
        },
    },
    {
        "kind": "done",
        "content": {
            "found": _HELD,
            "restored": [_LEFT],
            "left": [],
            "conflicts": [],
            "mark": "",
            "compared": {"ok": True, "touched": [], "other": []},
        },
    },
    {"kind": "error", "content": {"code": "busy", "message": "ann has this host for the run run-1", "values": _HELD}},
]


def frame(body: bytes) -> bytes:
    """A frame around any octets, with the sums that it should have."""
    head = struct.pack(">II", len(body), zlib.crc32(body))
    return head + struct.pack(">I", zlib.crc32(head)) + body


class _Login:
    """No connection."""

    host_key = "SHA256:none"
    peer_address = ""

    async def close(self) -> None:
        """Nothing is open."""


class ScriptedSession(HostSession):
    """Answers each request from the recordings; `odds` is the share of answers that are mutated."""

    def __init__(self, name: str, dice: random.Random, odds: float, counted: dict[str, int]) -> None:
        super().__init__(HostAddress(name, name), _Login())  # type: ignore[arg-type]
        self._dice, self._odds, self._counted = dice, odds, counted
        self._channel.started.set()

    def send(self, message: dict[str, Any]) -> None:
        """The host hears it and answers in a moment."""
        if self.lost.is_set():
            raise self.error("lost", "the connection was lost", next_step="")
        if "verb" in message:
            asyncio.get_running_loop().call_soon(self._answer, message["id"], message["verb"])

    def _answer(self, number: int, verb: str) -> None:
        recorded = ANSWERS.get(verb, [])
        events = [one for one in recorded if one["kind"] == "event"][:1]
        ends = [one for one in recorded if one["kind"] != "event"]
        for one in [*events, *([self._dice.choice(ends)] if ends else [])]:
            message = {"id": number, "kind": one["kind"], "error" if one["kind"] == "error" else "body": one["content"]}
            body = text_of(message, random.Random(0))
            if self._dice.random() < self._odds:
                self._counted[verb] = self._counted.get(verb, 0) + 1
                whole = self._dice.random() < 0.1
                content = "error" if one["kind"] == "error" else "body"
                message = (
                    mutated(message, self._dice)
                    if whole
                    else {**message, content: mutated(message[content], self._dice)}
                )
                body = text_of(message, self._dice)
            self._channel.data_received(frame(body), None)  # type: ignore[arg-type]
