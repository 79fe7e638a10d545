"""What this end's own flows put on the interface and took off it between the two readings of its counters.

Told by flow, in the kernel's own counts: segments that TCP sent again and bare acknowledgements are ours, and so are
the probes and the SSH connection that carries our orders. What an interface counted beyond them is cross traffic.
"""

from __future__ import annotations

import socket
import time
from typing import Dict, List, Optional, Tuple, TypedDict

from orchestrator.onhost.netlink.connections import connection_info
from orchestrator.onhost.path.probe_frame import HEAD_BYTES
from orchestrator.onhost.path.round_trip import ProbingEnd
from orchestrator.onhost.safety.control_connection import Connection, control_connection
from orchestrator.onhost.traffic import kernel, tcp_info
from orchestrator.onhost.traffic.acknowledgements import Acknowledgements
from orchestrator.onhost.traffic.flows import Pair
from orchestrator.onhost.traffic.tcp_info import Info


class Segments(TypedDict):
    """Segments of TCP connections, control segments and repeats included. `*_payload_bytes` are None on old kernels."""

    way: str  # "" for the connection that carries our orders
    sends: bool
    header_bytes: int  # TCP's, options that every segment carries included; selective acknowledgements are not
    transmitted: int
    received: int
    transmitted_data: int
    received_data: int
    transmitted_payload_bytes: Optional[int]
    received_payload_bytes: int  # in order, each octet once: what came twice is not in it
    out_of_order: Optional[int]


class Control(TypedDict):
    """The SSH connection that carries our orders, where it passes this interface; addresses as IP text."""

    local: str
    peer: str
    segments: Segments


class OwnFrames(TypedDict):
    """One end's account. `from_ns` and `to_ns` are when its counters were read, by CLOCK_MONOTONIC of the host."""

    from_ns: int
    to_ns: int
    tcp: List[Segments]
    acknowledgement_header_bytes: Optional[float]  # mean TCP header of those that came; None: nobody looked
    acknowledgements_looked_at: int
    probes_transmitted: int
    probes_received: int
    probe_payload_bytes: int
    control: Optional[Control]


_READ_EVERY_NS = 10_000_000_000  # counts of 32 bits go round in five minutes at the earliest
_TIMESTAMPS = 1  # TCPI_OPT_TIMESTAMPS
TCP_HEADER_BYTES, TIMESTAMPS_BYTES = 20, 12


class OwnAccount:
    """Both readings of one end's flows: `begin` when the counters are read first, `read` when they are read last."""

    def __init__(self, pair: Pair, sockets: Dict[int, socket.socket]) -> None:
        self._pair, self._sockets = pair, sockets
        tcp = [stream for stream in pair.streams if stream.flow.transport == "tcp"]
        self._streams = tcp if kernel.TCP_INFO else []
        self._told = kernel.TCP_INFO or not tcp
        self._connection: Optional[Connection] = control_connection(pair.interface) if kernel.TCP_INFO else None
        senders = [sockets[stream.number] for stream in self._streams if stream.sends_here]
        self._acknowledgements = Acknowledgements(pair, senders) if senders else None

    def begin(self, read_ns: int, probing: Optional[ProbingEnd]) -> None:
        """Count from now on; `probing` is this end of the round-trip flow. May be said again.

        `read_ns`: when the counters were read, which comes before.
        """
        self._from_ns = read_ns
        self._probing, self._probes = probing, _probes_of(probing)
        self._accounts = {stream.number: tcp_info.Account() for stream in self._streams}
        self._take_readings()
        self._told = self._told and all("data_segs_out" in account.last for account in self._accounts.values())
        control = self._control_info()
        self._control_account = None if control is None else tcp_info.Account([control])

    def _take_readings(self) -> None:
        self._due_ns = time.monotonic_ns() + _READ_EVERY_NS
        for number, account in self._accounts.items():
            account.take(tcp_info.read_info(self._sockets[number]))

    def look(self) -> None:
        """Take in the acknowledgements that were set aside; now and then while traffic runs."""
        if self._acknowledgements:
            self._acknowledgements.look()
        if time.monotonic_ns() >= self._due_ns:
            self._take_readings()
            if self._control_account is not None and (control := self._control_info()) is not None:
                self._control_account.take(control)

    def read(self, read_ns: int) -> Optional[OwnFrames]:
        """The account until now; the counters were read at `read_ns`. None where the kernel does not count segments:
        Linux before 4.6, and other systems.
        """
        if not self._told:
            return None
        self.look()
        transmitted, received = (last - first for first, last in zip(self._probes, _probes_of(self._probing)))
        self._take_readings()
        found = [
            segments(self._accounts[stream.number], stream.flow.way, stream.sends_here) for stream in self._streams
        ]
        looked = self._acknowledgements
        return {
            "from_ns": self._from_ns,
            "to_ns": read_ns,
            "tcp": found,
            "acknowledgement_header_bytes": looked.mean_header_bytes if looked else None,
            "acknowledgements_looked_at": looked.count if looked else 0,
            "probes_transmitted": transmitted,
            "probes_received": received,
            "probe_payload_bytes": HEAD_BYTES,
            "control": self._control(),
        }

    def _control_info(self) -> Optional[Info]:
        raw = connection_info(*self._connection) if self._connection else None
        return tcp_info.parse_info(raw) if raw else None

    def _control(self) -> Optional[Control]:
        last = self._control_info()
        if self._connection is None or self._control_account is None or last is None:
            return None
        self._control_account.take(last)
        return {
            "local": self._connection.local,
            "peer": self._connection.peer,
            "segments": segments(self._control_account, "", True),
        }

    def close(self) -> None:
        """Give the descriptor back."""
        if self._acknowledgements:
            self._acknowledgements.close()


def _probes_of(probing: Optional[ProbingEnd]) -> Tuple[int, int]:
    return (probing.transmitted, probing.received) if probing else (0, 0)


def segments(account: tcp_info.Account, way: str, sends: bool) -> Segments:
    """What a connection sent and received between the first and the last reading."""
    last = account.last

    def moved(name: str) -> int:
        return int(account.change(name) or 0)

    def known(name: str) -> Optional[int]:
        return moved(name) if name in last else None

    timestamps = TIMESTAMPS_BYTES if last["options"] & _TIMESTAMPS else 0
    return {
        "way": way,
        "sends": sends,
        "header_bytes": TCP_HEADER_BYTES + timestamps,
        "transmitted": moved("segs_out"),
        "received": moved("segs_in"),
        "transmitted_data": moved("data_segs_out"),
        "received_data": moved("data_segs_in"),
        "transmitted_payload_bytes": known("bytes_sent"),
        "received_payload_bytes": moved("bytes_received"),
        "out_of_order": known("rcv_ooopack"),
    }
