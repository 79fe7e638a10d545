"""Where lost datagrams went: own queue + own interface + between + far interface + backlog + socket. Pure.

"Sent = received + lost" is an identity and proves nothing. Every place but one has a counter of its own; what they do
not explain was lost between the interfaces. When they explain more than was lost, or do not count datagrams, the places
are left empty: a place that is not known is not guessed.
"""

from __future__ import annotations

from dataclasses import dataclass

from orchestrator.decide.verdict.evidence import Way
from orchestrator.metrics.loss import loss_ratio

# An interface also counts as dropped what nobody here speaks (announcements of switches, other families), and the own
# queue drops what else is sent there (probes, address resolution, other people's frames). So many frames more than
# were lost are taken for such, beside the round-trip probes that are known to be lost; at the own queue also as many
# as it may have dropped of what else it was given.
_STRAY_FRAMES, _STRAY_SHARE = 10, 0.01
_STRAY_TIMES = 4  # measured: a queue that drops its oldest took more than twice the share of a stranger's frames


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
    def places(self) -> dict[str, int]:
        """Where, in words, and how many; {} where that is not known."""
        named = {
            "by the sending host's queue": self.own_queue,
            "by the sending interface": self.own_interface,
            "between the interfaces": self.between,
            "by the receiving interface": self.far_interface,
            "by the receiving host's backlog": self.backlog,
            "by the receiving socket": self.socket,
        }
        return {place: count for place, count in named.items() if count}

    @property
    def ratio(self) -> float | None:
        """Lost / handed over (RFC 7680 s4.1: an empty sample has none)."""
        return loss_ratio(self.attempted, self.attempted - self.lost)


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
    if counted_otherwise := _counted_otherwise(way, backlog, int(socket)):
        return Losses(attempted, lost, unplaced=counted_otherwise)
    own_interface = way.sender.change("interface.tx_dropped", "interface.tx_errors") or 0
    far_interface = (
        way.receiver.change("interface.rx_missed_errors", "interface.rx_fifo_errors", "interface.rx_crc_errors") or 0
    )
    # The core counts a frame that the backlog had no room for as the interface's own drop as well.
    far_interface += max(0, (way.receiver.change("interface.rx_dropped") or 0) - backlog)
    own_queue = max(refused, way.sender.change("queue.drops") or 0)
    between = lost - own_queue - own_interface - far_interface - backlog - int(socket)
    hidden = min(between, (own_queue - refused) * (_datagrams_a_frame(way) - 1))
    if hidden > _tolerated(lost):
        return Losses(attempted, lost, unplaced="the own queue dropped blocks, and does not count their datagrams")
    stray = _Stray(_tolerated(lost) + way.probes_lost, max(0, -between))
    far_interface -= stray.off(far_interface)
    stray.max += _STRAY_TIMES * _stray_at_own_queue(way, attempted, lost)
    own_queue -= stray.off(own_queue - refused)  # what was refused was ours: each was told to the sending process
    if stray.excess:
        return Losses(attempted, lost, unplaced=f"counters explain {lost - between} lost datagrams, {lost} were lost")
    return Losses(attempted, lost, own_queue, own_interface, max(0, between), far_interface, backlog, int(socket))


def _counted_otherwise(way: Way, backlog: int, socket: int) -> str:
    """Why a counter of this way counts something else than its datagrams; "" when each counts those."""
    if way.packets_each > 1:
        return "the MTU cut the datagrams into fragments, and the counters count fragments"
    if socket and way.receive.get("receive_path") == "coalesce":
        return "the socket dropped coalesced blocks, which do not count datagrams"
    if backlog and way.links_at_once > 1:
        return "the backlog dropped frames, and does not count them by link"
    return ""


@dataclass
class _Stray:
    """Drops counted beyond what was lost, and how many of them may have been frames that were not datagrams of ours."""

    max: float
    excess: int

    def off(self, counted: int) -> int:
        """How many of a place's drops are taken for such."""
        taken = min(self.excess, counted, int(self.max))
        self.excess -= taken
        self.max -= taken
        return taken


def _tolerated(lost: int) -> float:
    return max(_STRAY_FRAMES, _STRAY_SHARE * lost)


def _stray_at_own_queue(way: Way, attempted: int, lost: int) -> float:
    """How many other frames a queue drops that drops ours at this share: probes, greetings, other people's traffic.

    What left the interface beside the datagrams that arrived are the others that the queue let pass.
    """
    others = max(0, (way.sender.change("interface.tx_packets") or 0) - int(way.receive["datagrams_received"]))
    return others * lost / max(1, attempted - lost)


def _datagrams_a_frame(way: Way) -> int:
    """How many datagrams the kernel's queue is given as one frame, which it drops and counts as one; at most."""
    return int(way.send.get("burst_datagrams") or 1) if way.send.get("send_path") == "segment" else 1


def dropped_in_silence(way: Way) -> int:
    """Datagrams that the sending process believes sent and that never came to the interface; at most that many."""
    sent, received = way.send.get("datagrams_sent"), way.receive.get("datagrams_received")
    silent = (way.sender.change("queue.drops") or 0) - int(way.send.get("datagrams_refused") or 0)
    if way.transport != "udp" or sent is None or received is None or silent <= 0:
        return 0
    return min(silent * _datagrams_a_frame(way), max(0, int(sent) - int(received)))


def segments_lost(way: Way) -> tuple[int, dict[str, int]] | None:
    """How many of TCP's segments never arrived, from the connections' begin to their end, and where, in words.

    None where an end does not tell. What an interface or a queue dropped counts only as far as segments were lost:
    they drop other people's frames, too.
    """
    sent = way.tcp.get("segments_sent_whole")
    arrived = (way.receive.get("tcp") or {}).get("segments_received_whole")
    if sent is None or arrived is None:
        return None
    lost = rest = max(0, int(sent) - int(arrived))
    found: dict[str, int] = {}
    for place, count in (
        (f"by the queue of {way.sender.interface} on {way.sender.host}", way.sender.change("queue.drops")),
        (
            f"by {way.sender.interface} on {way.sender.host}",
            way.sender.change("interface.tx_dropped", "interface.tx_errors"),
        ),
        (
            f"by {way.receiver.interface} on {way.receiver.host}",
            way.receiver.change("interface.rx_missed_errors", "interface.rx_fifo_errors", "interface.rx_crc_errors"),
        ),
        (f"by the backlog of {way.receiver.host}", way.receiver.change("softnet.dropped")),
    ):
        taken = min(rest, count or 0)
        rest -= taken
        if taken:
            found[place] = taken
    if rest:
        found["between the interfaces"] = rest
    return lost, found
