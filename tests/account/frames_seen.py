"""A referee: counts every frame at some ports, by flow and millisecond, until its standard input ends; then tells.

Runs in the switch's network namespace on packet sockets, and knows nothing of the code that it is referee of.
Arguments: the ports' names. Prints one JSON object: {"lost": frames it could not read in time, "seen": [[millisecond of
CLOCK_MONOTONIC, port, "in" or "out", flow, frames, octets], ...]}; "in" is what the port took from its host. A flow is
"protocol source destination source-port destination-port", ports 0 where there are none.
"""

from __future__ import annotations

import json
import select
import socket
import struct
import sys
import time

SO_TIMESTAMPNS, SO_RCVBUFFORCE, SOL_PACKET, PACKET_STATISTICS = 35, 33, 263, 6
EVERY_PROTOCOL, OUTGOING = 3, 4
HEAD_BYTES = 74  # Ethernet 14, IPv6 40, ports and more


def flow_of(head: bytearray) -> str:
    """The flow that a frame belongs to."""
    kind = int.from_bytes(head[12:14], "big")
    if kind == 0x0800:
        source, destination, protocol = head[26:30], head[30:34], head[23]
        inet, at, whole = socket.AF_INET, 14 + 4 * (head[14] & 15), not int.from_bytes(head[20:22], "big") & 0x3FFF
    elif kind == 0x86DD:
        source, destination, protocol = head[22:38], head[38:54], head[20]
        inet, at, whole = socket.AF_INET6, 54, protocol != 44
        protocol = head[54] if protocol == 44 else protocol
    else:
        return f"{kind:#06x} - - 0 0"
    ports = struct.unpack_from("!HH", head, at) if whole and protocol in (6, 17) else (0, 0)
    names = {6: "tcp", 17: "udp", 1: "icmp", 58: "icmp6"}
    return (
        f"{names.get(protocol, protocol)} {socket.inet_ntop(inet, source)} {socket.inet_ntop(inet, destination)} "
        f"{ports[0]} {ports[1]}"
    )


def opened(name: str) -> socket.socket:
    made = socket.socket(socket.AF_PACKET, socket.SOCK_RAW, 0)
    made.setblocking(False)
    made.setsockopt(socket.SOL_SOCKET, SO_RCVBUFFORCE, 1 << 28)
    made.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
    made.bind((name, EVERY_PROTOCOL))
    return made


def main() -> None:
    ports = {opened(name): name for name in sys.argv[1:]}
    to_monotonic_ns = time.monotonic_ns() - time.clock_gettime_ns(time.CLOCK_REALTIME)
    counts: dict[tuple[int, str, str, str], list[int]] = {}
    print("ready", flush=True)
    ended = False
    while not ended:
        ended = sys.stdin in select.select([*ports, sys.stdin], [], [], 0.05)[0]
        for port, name in ports.items():
            for _ in range(2000):
                try:
                    length, ancillary, _, address = port.recvmsg_into([buffer], 64, socket.MSG_TRUNC)
                except BlockingIOError:
                    break
                seconds, nanoseconds = struct.unpack("@ll", ancillary[0][2][:16])
                at_ms = (seconds * 10**9 + nanoseconds + to_monotonic_ns) // 10**6
                key = (at_ms, name, "out" if address[2] == OUTGOING else "in", flow_of(buffer))
                count = counts.setdefault(key, [0, 0])
                count[0] += 1
                count[1] += length
    lost = sum(struct.unpack("=II", port.getsockopt(SOL_PACKET, PACKET_STATISTICS, 8))[1] for port in ports)
    json.dump({"lost": lost, "seen": [[*key, *count] for key, count in counts.items()]}, sys.stdout)


buffer = bytearray(HEAD_BYTES)
if __name__ == "__main__":
    main()
