"""Where lost datagrams went: own queue + own interface + between + far interface + backlog + socket. Pure.

"Sent = received + lost" is an identity and proves nothing. Every place but one has a counter of its own; what they do
not explain was lost between the interfaces. When they explain more than was lost, or do not count datagrams, the places
are left empty: a place that is not known is not guessed.
"""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.decide.evidence import Way

# An interface also counts as dropped what nobody here speaks (announcements of switches, other families): so many
# frames more than were lost are taken for such, and off the far interface.
_STRAY_FRAMES, _STRAY_SHARE = 10, 0.01


@dataclass(frozen=True)
class Losses:
    """Datagrams lost in all and by place; None for what is not known. `unplaced` says why the places are empty."""

    attempted: int
    lost: int
    own_queue: int | None = None
    own_interface: int | None = None
    between: int | None = None
    far_interface: int | None = None
    backlog: int | None = None
    socket: int | None = None
    unplaced: str = ""

    @property
    def ratio(self) -> float | None:
        """Lost / handed over (RFC 7680 s4.1: an empty sample has none)."""
        return self.lost / self.attempted if self.attempted else None


def losses(way: Way) -> Losses | None:
    """The account of a UDP way; None for TCP and where an end gave no result."""
    sent, received = way.send.get("datagrams_sent"), way.receive.get("datagrams_received")
    if way.transport != "udp" or sent is None or received is None:
        return None
    refused = int(way.send.get("datagrams_refused") or 0)
    attempted = int(sent) + refused
    lost = attempted - int(received)
    if lost < 0:
        return Losses(attempted, 0, unplaced=f"{received} datagrams arrived of {attempted} that were handed over")
    if lost == 0:
        return Losses(attempted, 0, 0, 0, 0, 0, 0, 0)
    return _placed(way, attempted, lost, refused)


def _placed(way: Way, attempted: int, lost: int, refused: int) -> Losses:
    backlog = way.receiver.change("softnet.dropped")
    socket = way.receive.get("socket_drops")
    if backlog is None or socket is None or "interface.tx_packets" not in way.sender.changes:
        return Losses(attempted, lost, unplaced="a counter that a place needs is missing")
    if socket and way.receive.get("receive_path") == "coalesce":
        return Losses(attempted, lost, unplaced="the socket dropped coalesced blocks, which do not count datagrams")
    if backlog and way.links_at_once > 1:
        return Losses(attempted, lost, unplaced="the backlog dropped frames, and does not count them by link")
    own_interface = way.sender.change("interface.tx_dropped", "interface.tx_errors") or 0
    far_interface = way.receiver.change("interface.rx_missed_errors", "interface.rx_fifo_errors",
                                        "interface.rx_crc_errors") or 0
    # The core counts a frame that the backlog had no room for as the interface's own drop as well.
    far_interface += max(0, (way.receiver.change("interface.rx_dropped") or 0) - backlog)
    own_queue = max(refused, way.sender.change("queue.drops") or 0)
    between = lost - own_queue - own_interface - far_interface - backlog - int(socket)
    if -max(_STRAY_FRAMES, _STRAY_SHARE * lost) <= between < 0 <= far_interface + between:
        far_interface, between = far_interface + between, 0
    if between < 0:
        return Losses(attempted, lost, unplaced=f"counters explain {lost - between} lost datagrams, {lost} were lost")
    return Losses(attempted, lost, own_queue, own_interface, between, far_interface, backlog, int(socket))
