"""The sockets of a trial: bound to the named interface and to the given address, with the flow's options set."""

from __future__ import annotations

import contextlib
import errno
import socket
import struct

from orchestrator.onhost import netlink
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.system.device_socket import ip_and_udp_bytes, refused_to_open, socket_address
from orchestrator.onhost.system.socket_options import bind_to_interface, forbid_fragments, queue_errors
from orchestrator.onhost.traffic import kernel, own_queue
from orchestrator.onhost.traffic.flows import Flow, Pair, Stream

# A receiver must not lose datagrams because it had to wait for a core: 50 ms at 2.5 Gb/s are 16 MB of payload.
UDP_RECEIVE_BUFFER_BYTES = 16 * 1024 * 1024
LEAST_UDP_RECEIVE_BUFFER_BYTES = 1024 * 1024
_BACKLOG = 64


def open_bound(pair: Pair, stream: Stream, port: int) -> socket.socket:
    """A socket of the stream's transport on the pair's interface and own address. Refusal when that cannot be."""
    inet = socket.AF_INET6 if pair.family == 6 else socket.AF_INET
    tcp = stream.flow.transport == "tcp"
    made = socket.socket(inet, socket.SOCK_STREAM if tcp else socket.SOCK_DGRAM)
    try:
        if pair.family == 6:
            made.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        if tcp:  # an earlier trial's connection may still be in its last minute; a listener in use refuses all the same
            made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        set_options(made, pair, stream)
        _bind_to_interface(made, pair)
        made.bind(socket_address(pair.family, pair.local, port, pair.interface))
    except OSError as error:
        made.close()
        raise refused_to_open(error, pair.interface, pair.local, pair.peer, port) from error
    except Refusal:
        made.close()
        raise
    return made


def listen(pair: Pair, stream: Stream) -> socket.socket:
    """The serving end of a stream before its peer has come: deaf, in the kernel, to every other address."""
    made = open_bound(pair, stream, stream.port)
    with contextlib.suppress(PermissionError):  # some kernels keep filters on TCP for root: then accept() looks
        kernel.accept_only_from(made, pair.peer, pair.family)
    made.setblocking(False)
    if stream.flow.transport == "tcp":
        try:
            made.listen(_BACKLOG)
        except OSError as error:
            made.close()
            raise refused_to_open(error, pair.interface, pair.local, pair.peer, stream.port) from error
    return made


def deaf_sink(pair: Pair, stream: Stream, connected: socket.socket) -> socket.socket:
    """A socket that swallows what strangers send to a UDP port whose own socket is connected by now.

    Without it the kernel would answer them with "port unreachable". The port is shared only from here on: the
    first bind was exclusive, so that a port in use is noticed.
    """
    connected.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    sink = socket.socket(connected.family, socket.SOCK_DGRAM)
    try:
        if pair.family == 6:
            sink.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        sink.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        kernel.accept_nothing(sink)
        _bind_to_interface(sink, pair)
        sink.bind(socket_address(pair.family, pair.local, stream.port, pair.interface))
    except OSError as error:
        sink.close()
        raise refused_to_open(error, pair.interface, pair.local, pair.peer, stream.port) from error
    return sink


def set_options(sock: socket.socket, pair: Pair, stream: Stream) -> None:
    """The flow's options, those that must be there before a connection is made among them."""
    flow = stream.flow
    if flow.dscp is not None:
        if pair.family == 6:
            sock.setsockopt(socket.IPPROTO_IPV6, kernel.IPV6_TCLASS, flow.dscp << 2)
        else:
            sock.setsockopt(socket.IPPROTO_IP, socket.IP_TOS, flow.dscp << 2)
    if flow.transport == "tcp":
        _set_tcp(sock, flow, stream.sends_here)
    else:
        _set_udp(sock, pair, stream)


def _set_tcp(sock: socket.socket, flow: Flow, sends_here: bool) -> None:
    if flow.congestion:
        try:
            kernel.set_congestion(sock, flow.congestion)
        except OSError as error:
            raise Refusal(
                "congestion_missing",
                f"this kernel does not offer congestion control {flow.congestion}",
                congestion=flow.congestion,
                errno=error.errno,
            ) from error
    if flow.socket_buffer_bytes:
        kernel.set_buffer(sock, socket.SO_SNDBUF, flow.socket_buffer_bytes)
        kernel.set_buffer(sock, socket.SO_RCVBUF, flow.socket_buffer_bytes)
    if flow.segment_bytes:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG, flow.segment_bytes)
    limits = [rate for rate in (flow.pacing_bit_s, flow.intended_load_bit_s) if rate]
    if limits and sends_here:  # the kernel counts IP and TCP headers and payload, in bytes per second
        kernel.set_pacing(sock, int(min(limits) / flow.streams / 8))
    # When a process of ours dies, what it has not sent yet dies with it: the kernel would go on sending for seconds.
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("@ii", 1, 0))


def _set_udp(sock: socket.socket, pair: Pair, stream: Stream) -> None:
    flow = stream.flow
    if stream.sends_here:
        queue_errors(sock, pair.family)
        charged = own_queue.buffer_for(pair.interface, flow.streams)
        wanted = flow.socket_buffer_bytes or (charged // 2 if charged else None)
        if wanted:
            kernel.set_buffer(sock, socket.SO_SNDBUF, wanted)
        if flow.datagram_bytes + ip_and_udp_bytes(pair.family) <= pair.mtu:
            forbid_fragments(sock, pair.family)
    else:
        share = max(UDP_RECEIVE_BUFFER_BYTES // flow.streams, LEAST_UDP_RECEIVE_BUFFER_BYTES)
        kernel.set_buffer(sock, socket.SO_RCVBUF, flow.socket_buffer_bytes or share)


def _bind_to_interface(sock: socket.socket, pair: Pair) -> None:
    """Bind to the device; where an older kernel forbids that to ordinary users, make sure the address is its own."""
    try:
        bind_to_interface(sock, pair.interface, pair.local)
    except PermissionError:
        own = netlink.addresses(socket.if_nametoindex(pair.interface))
        if pair.local not in [each["address"] for each in own]:
            raise OSError(errno.EADDRNOTAVAIL, "not an address of the interface") from None
