"""What a traffic job is asked to do: the pair of ends, its flows, and the streams they consist of."""

from __future__ import annotations

import socket
from typing import List, NamedTuple, Optional

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.system.device_socket import ip_and_udp_bytes
from orchestrator.onhost.traffic.arguments import FlowArguments, TrafficArguments
from orchestrator.wire.segments import LARGEST_DATAGRAM_BYTES

HEADER_BYTES = 16  # sequence number and send time in front of every datagram's payload


class Flow(NamedTuple):
    """One way of the traffic. `way` is seen from the dialling end; rates are payload of all streams together."""

    way: str
    transport: str
    streams: int
    intended_load_bit_s: Optional[float]
    datagram_bytes: int
    congestion: Optional[str]
    socket_buffer_bytes: Optional[int]
    segment_bytes: Optional[int]
    pacing_bit_s: Optional[float]
    dscp: Optional[int]
    sender_core: Optional[int]
    receiver_core: Optional[int]
    zero_copy: bool
    burst_datagrams: Optional[int]
    send_path: Optional[str]
    receive_path: Optional[str]

    @property
    def stream_bit_s(self) -> Optional[float]:
        """The payload rate asked of one stream; None: as fast as it goes."""
        return None if self.intended_load_bit_s is None else self.intended_load_bit_s / self.streams


class Stream(NamedTuple):
    """One connection (TCP) or one connected pair of sockets (UDP), with a process of its own on either end."""

    number: int  # over all flows of the trial
    flow: Flow
    port: int
    sends_here: bool


class Pair(NamedTuple):
    """The two ends as one of them sees them."""

    token: str
    interface: str
    local: str
    peer: str
    family: int
    mtu: int
    rate_bit_s: Optional[float]
    timeout_s: float
    serving: bool
    streams: List[Stream]
    flows: List[Flow]
    probe_port: Optional[int]  # for the round-trip flow beside the traffic; None: none is wanted

    @property
    def source_port_is_free(self) -> bool:
        """Whether the dialling end can use the same port number: not when both ends share one address."""
        return self.local != self.peer


def read_args(args: TrafficArguments, *, serving: bool) -> Pair:
    """The job's arguments, checked. Refusal when they cannot be carried out."""
    flows = [_flow(each, args) for each in args["flows"]]
    ports = args["ports"]
    wanted = sum(flow.streams for flow in flows)
    if wanted > len(ports):
        raise Refusal(
            "too_few_ports",
            f"{wanted} streams need as many ports; the plan gives {len(ports)}",
            streams=wanted,
            ports=len(ports),
        )
    streams: List[Stream] = []
    for flow in flows:
        sends_here = (flow.way == "transmit") != serving
        for _ in range(flow.streams):
            streams.append(Stream(len(streams), flow, ports[len(streams)], sends_here))
    rate = args.get("rate_bit_s")
    family = args["family"]
    local, peer = _canonical(args["local"], family), _canonical(args["peer"], family)
    return Pair(
        args["token"],
        args["interface"],
        local,
        peer,
        family,
        args["mtu"],
        rate or None,
        args.get("timeout_s") or 10.0,
        serving,
        streams,
        flows,
        ports[-1] if args.get("round_trip") and len(ports) > wanted else None,
    )


def _canonical(address: str, family: int) -> str:
    """The address as the kernel spells it, without a scope: that is the interface's."""
    inet = socket.AF_INET6 if family == 6 else socket.AF_INET
    try:
        return socket.inet_ntop(inet, socket.inet_pton(inet, address.partition("%")[0]))
    except OSError:
        raise Refusal("bad_address", f"{address} is not an IPv{family} address", address=address) from None


def _flow(given: FlowArguments, args: TrafficArguments) -> Flow:
    values = {name: given.get(name) for name in Flow._fields}
    values["streams"] = given.get("streams") or 1
    values["zero_copy"] = bool(given.get("zero_copy"))
    values["datagram_bytes"] = _datagram_bytes(given, args)
    flow = Flow(**values)  # type: ignore[arg-type]  # the names are the tuple's own, the types the message table's
    if flow.way not in ("transmit", "receive") or flow.transport not in ("tcp", "udp"):
        raise Refusal("unknown_flow", f"no such flow: {flow.transport} {flow.way}")
    return flow


def _datagram_bytes(given: FlowArguments, args: TrafficArguments) -> int:
    """Payload of one datagram; without a wish it fills the MTU."""
    if given.get("transport") != "udp":
        return 0
    fills = min(args["mtu"] - ip_and_udp_bytes(args["family"]), LARGEST_DATAGRAM_BYTES)
    size = given.get("datagram_bytes") or fills
    if not HEADER_BYTES <= size <= LARGEST_DATAGRAM_BYTES:
        raise Refusal(
            "datagram_size",
            f"a datagram has {HEADER_BYTES} to {LARGEST_DATAGRAM_BYTES} bytes of payload, not {size}",
            datagram_bytes=size,
        )
    return size
