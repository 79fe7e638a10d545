"""A small relay between two hosts that holds every datagram back for a time, and knows for how long it really did.

Run as a program: `relay.py NEAR-NAMESPACE FAR-NAMESPACE PORT DELAY-S SECONDS`. It faces each host with the other one's
address, from a namespace on each side, and prints the delays it made as JSON when its time is over.
"""

from __future__ import annotations

import ctypes
import heapq
import json
import os
import select
import socket
import statistics
import struct
import sys
import time

_NEW_NETWORK = 0x40000000
_TIMESTAMPNS = 35


def socket_in(namespace: str, local: str, peer: str, port: int) -> socket.socket:
    """A UDP socket that lives in another network namespace."""
    descriptor = os.open(f"/run/netns/{namespace}", os.O_RDONLY)
    if ctypes.CDLL(None, use_errno=True).setns(descriptor, _NEW_NETWORK):
        raise OSError(ctypes.get_errno(), "setns")
    os.close(descriptor)
    made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    made.setsockopt(socket.SOL_SOCKET, _TIMESTAMPNS, 1)
    made.bind((local, port))
    made.connect((peer, port))
    made.setblocking(False)
    return made


def relay(near: socket.socket, far: socket.socket, delay_s: float, seconds: float) -> dict[str, list[float]]:
    """Pass datagrams on, `delay_s` after the kernel stamped them; the delays made, by direction."""
    waiting: list[tuple[float, int, float, socket.socket, bytes]] = []
    made: dict[str, list[float]] = {"out": [], "back": []}
    until, number = time.time() + seconds, 0
    while time.time() < until:
        ahead_s = min(waiting[0][0] - time.time(), 0.05) if waiting else 0.05
        # select() wakes late: the last millisecond is waited for by looking
        readable, _, _ = select.select([near, far], [], [], max(ahead_s - 0.001, 0))
        for source in readable:
            payload, ancillary, _, _ = source.recvmsg(65536, 128)
            seconds_, nanoseconds = struct.unpack("@ll", ancillary[0][2][:16])
            arrived = seconds_ + nanoseconds / 1e9
            number += 1
            heapq.heappush(waiting, (arrived + delay_s, number, arrived, far if source is near else near, payload))
        while waiting and waiting[0][0] <= time.time():
            _, _, arrived, target, payload = heapq.heappop(waiting)
            made["out" if target is far else "back"].append(time.time() - arrived)
            target.send(payload)
    return made


def main() -> None:
    near_name, far_name, port, delay_s, seconds = sys.argv[1], sys.argv[2], *map(float, sys.argv[3:])
    near = socket_in(near_name, "198.18.0.12", "198.18.0.11", int(port))
    far = socket_in(far_name, "198.18.0.11", "198.18.0.12", int(port))
    print(json.dumps({"ready": True}), flush=True)
    made = relay(near, far, delay_s, seconds)
    print(json.dumps({way: statistics.median(delays) for way, delays in made.items() if delays}), flush=True)


if __name__ == "__main__":
    main()
