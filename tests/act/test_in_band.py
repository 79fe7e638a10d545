"""Beside SSH: a host whose datagrams nobody hears is named, and one that answers is not."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import pytest

from orchestrator.act.in_band import SharedEnd, in_band
from orchestrator.faults import HostError
from orchestrator.onhost.safety.renewal_datagram import heard, read_renewal

TOKEN, LEASE_S, BOOT_NS = 7, 10.0, 5_000_000_000


class Host(asyncio.DatagramProtocol):
    """Hears renewals; `answers`: or lets them pass."""

    def __init__(self, *, answers: bool) -> None:
        self.answers, self.key, self.until_ns = answers, b"", 0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport: Any = transport

    def datagram_received(self, data: bytes, addr: Any) -> None:
        self.until_ns = read_renewal(data, self.key, TOKEN) or self.until_ns
        if self.answers:
            self.transport.sendto(heard(self.key, TOKEN, BOOT_NS), addr)


@dataclass
class Session:
    """What in_band needs of a session; `problem`: what the host says to being asked to listen."""

    listens: Host
    peer_address: str = "127.0.0.1"
    problem: str = ""
    host: Any = field(default_factory=lambda: SimpleNamespace(name="dome"))
    shared: list[tuple[bool, bool]] = field(default_factory=list)

    async def request(self, verb: str, args: dict[str, Any], timeout_s: float) -> dict[str, Any]:
        assert (verb, timeout_s > 0) == ("lease.listen", True)
        if self.problem:
            raise HostError(self.problem, "dome: no", host="dome")
        self.listens.key = bytes.fromhex(args["key"])
        return {"port": self.listens.transport.get_extra_info("sockname")[1], "boottime_ns": BOOT_NS}

    def share_link(self, line: object, *, over: bool = False) -> None:
        self.shared.append((line is not None, over))


def unheard(*, answers: bool, **session: str) -> tuple[list[str], Session]:
    """Which hosts are told to hear no datagram; and the session, as it was used."""

    async def scene() -> tuple[list[str], Session]:
        _, host = await asyncio.get_running_loop().create_datagram_endpoint(
            lambda: Host(answers=answers), local_addr=("127.0.0.1", 0)
        )
        found = Session(host, **session)
        async with in_band([SharedEnd(found, TOKEN)], LEASE_S) as traffic:  # type: ignore[arg-type]
            told = list(traffic.unheard)
        host.transport.close()
        return told, found

    return asyncio.run(scene())


def test_a_host_that_answers_is_renewed_by_datagrams_for_a_lease_of_its_own_clock() -> None:
    told, session = unheard(answers=True)
    assert told == []
    assert session.shared == [(True, False), (False, True)]
    assert abs(session.listens.until_ns - BOOT_NS - LEASE_S * 1e9) < 1e9


@pytest.mark.parametrize(
    "session",
    [{}, {"peer_address": ""}, {"problem": "no_control_path"}],
    ids=["UDP is blocked", "behind a jump host", "by no address that it knows"],
)
def test_a_host_that_no_datagram_reaches_is_named(session: dict[str, str]) -> None:
    told, used = unheard(answers=False, **session)
    assert told == ["dome"]
    assert used.shared == [(False, False), (False, True)]
