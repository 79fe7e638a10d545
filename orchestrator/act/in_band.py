"""Renewals where SSH shares the measured link: beside SSH as datagrams, as long as traffic may leave SSH no room.

TCP doubles its pauses with every loss: in a flood of which a switch drops four fifths, a session falls silent for
longer than a lease. So nothing is asked over SSH meanwhile, nobody takes its silence for a loss, and small
authenticated datagrams renew the lease, more of them the longer none was answered.
"""

from __future__ import annotations

import asyncio
import contextlib
import secrets
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import cast

from orchestrator.act.session import HostSession
from orchestrator.faults import HostError
from orchestrator.onhost.safety.renewal_datagram import KEY_BYTES, read_heard, renewal
from orchestrator.planning.min_lease import OFTENEST_S, UNANSWERED_S

OFTEN_S = 0.2  # between two renewals, as long as the last were answered
PROOF_S = 2.0  # without traffic in the way, a few milliseconds do
TOLD_BEFORE_S = 0.3
HOST_PAUSE_S = 120.0  # what a host has to say may wait so long after a flood: its TCP's pauses are not ours to limit
FREE_AFTER_S = 0.3  # after the traffic's end a switch's queue has drained


@dataclass
class SharedEnd:
    """One end of the traffic whose control path shares its link."""

    session: HostSession
    token: int


class RenewalLine(asyncio.DatagramProtocol):
    """The controller's side: sends renewals of one lease until it is closed."""

    def __init__(self, key: bytes, token: int, lease_s: float, host_now_ns: int) -> None:
        """`host_now_ns`: the host's CLOCK_BOOTTIME, no later than it is now."""
        self._key, self._token, self._lease_s = key, token, lease_s
        self._clock = asyncio.get_running_loop().time
        self._offset_ns = host_now_ns - round(self._clock() * 1e9)  # an answer's way makes it early, never late
        self._transport: asyncio.DatagramTransport | None = None
        self._sending: asyncio.Task[None] | None = None
        self.began_s = self.heard_s = self._clock()
        self.sent = self.answered = 0
        self.proven = asyncio.Event()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Begin to send."""
        self._transport = cast(asyncio.DatagramTransport, transport)
        self._sending = asyncio.ensure_future(self._send_on())

    def datagram_received(self, data: bytes, addr: object) -> None:  # noqa: ARG002 - asyncio's signature
        """The host's answer: it waits for us, and this is its clock."""
        host_now_ns = read_heard(data, self._key, self._token)
        if host_now_ns is not None:
            self.answered += 1
            self.heard_s = self._clock()
            self._offset_ns = host_now_ns - round(self.heard_s * 1e9)
            self.proven.set()

    def error_received(self, exc: Exception) -> None:
        """Somebody answered that nobody hears it; the next may be heard."""

    def close(self) -> None:
        """Send nothing any more."""
        if self._sending is not None:
            self._sending.cancel()
        if self._transport is not None:
            self._transport.abort()

    @property
    def renews(self) -> bool:
        """Whether the host has answered within a third of the lease, as often as SSH would have asked it."""
        return self.proven.is_set() and self._clock() - self.heard_s < self._lease_s / 3

    async def _send_on(self) -> None:
        while self._transport is not None:
            now_s = self._clock()
            until_ns = round((now_s + self._lease_s) * 1e9) + self._offset_ns
            self._transport.sendto(renewal(self._key, self._token, until_ns))
            self.sent += 1
            await asyncio.sleep(OFTEN_S if now_s - self.heard_s < UNANSWERED_S else OFTENEST_S)


class InBand:
    """What the traffic has to know of the sessions that it leaves no room."""

    def __init__(self, ends: Sequence[SharedEnd]) -> None:
        """`ends` are those whose control path shares their link; ordinarily there is none."""
        self._ends = ends
        self._waking: asyncio.Task[None] | None = None
        self.unheard: list[str] = []  # hosts that no datagram of ours reaches: only SSH renews their leases
        self.lead_s = TOLD_BEFORE_S if ends else 0.0  # the start must have come to both ends before the traffic does

    def over_at(self, at_s: float) -> None:
        """The traffic will be over at this time of the loop's clock: then a word over SSH frees what TCP limits."""
        if self._ends:
            self._waking = asyncio.ensure_future(_wake([end.session for end in self._ends], at_s))

    def close(self) -> None:
        """Everybody has answered, or nobody will."""
        if self._waking is not None:
            self._waking.cancel()


@contextlib.asynccontextmanager
async def in_band(ends: Sequence[SharedEnd], lease_s: float) -> AsyncIterator[InBand]:
    """As long as this lasts the ends' leases are renewed by datagrams, too, and their sessions may be silent."""
    opened: list[RenewalLine] = []
    traffic = InBand(ends)
    try:
        for end in ends:
            line = await _open(end, lease_s)
            end.session.share_link(line)
            opened += [line] if line is not None else []
            traffic.unheard += [end.session.host.name] if line is None else []
        yield traffic
    finally:
        traffic.close()
        for end in ends:
            end.session.share_link(None, over=True)
        for line in opened:
            line.close()


async def _open(end: SharedEnd, lease_s: float) -> RenewalLine | None:
    """A line that the host has answered on; None where it cannot hear us so."""
    key, address = secrets.token_bytes(KEY_BYTES), end.session.peer_address
    if not address:
        return None
    try:
        about = await end.session.request("lease.listen", {"token": end.token, "key": key.hex()}, timeout_s=10.0)
    except HostError as error:
        if error.code != "no_control_path":
            raise
        return None
    loop = asyncio.get_running_loop()
    _, line = await loop.create_datagram_endpoint(
        lambda: RenewalLine(key, end.token, lease_s, int(about["boottime_ns"])), remote_addr=(address, about["port"])
    )
    try:
        await asyncio.wait_for(line.proven.wait(), PROOF_S)
    except TimeoutError:
        line.close()
        return None
    return line


async def _wake(sessions: Sequence[HostSession], at_s: float) -> None:
    await asyncio.sleep(max(0.0, at_s + FREE_AFTER_S - asyncio.get_running_loop().time()))
    for session in sessions:
        with contextlib.suppress(HostError):
            session.start("clock", {}, timeout_s=60.0)
