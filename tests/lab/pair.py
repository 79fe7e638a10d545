"""A sender and a receiver of a few lines, to check the lab without the code that the lab is there to check."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager

from orchestrator.lab.lab import Lab
from orchestrator.lab.places import Place

_RECEIVE = """
import socket, sys, time
listener = socket.create_server((sys.argv[1], 20000)); print("listening", flush=True)
stream, _ = listener.accept()
block, wanted_s = bytearray(1 << 20), float(sys.argv[2])
warm_until = time.monotonic() + 0.5
while time.monotonic() < warm_until:
    stream.recv_into(block)
began, count = time.monotonic(), 0
while time.monotonic() - began < wanted_s:
    count += stream.recv_into(block)
print(count * 8 / (time.monotonic() - began))
"""
_SEND = """
import socket, struct, sys, time
stream = socket.create_connection((sys.argv[1], 20000))
until = time.monotonic() + 30
try:
    while time.monotonic() < until:
        stream.send(bytes(1 << 18))
except OSError:
    pass
print(struct.unpack_from("I", stream.getsockopt(6, 11, 256), 100)[0])  # TCP_INFO: tcpi_total_retrans
"""
_COLLECT = """
import select, socket, sys
receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM); receiver.bind((sys.argv[1], 20001))
receiver.setsockopt(socket.SOL_SOCKET, 33, 1 << 23)  # SO_RCVBUFFORCE: what is lost must be lost on the way
print("listening", flush=True)
count, patience_s = 0, 60
while True:
    ready = select.select([receiver, sys.stdin] if patience_s == 60 else [receiver], [], [], patience_s)[0]
    if receiver in ready:
        receiver.recv(65535); count += 1
    elif ready:
        patience_s = 0.3  # the sender has ended: whatever is still under way arrives within this
    else:
        break
print(count)
"""
_SCATTER = """
import socket, sys
sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
sender.setsockopt(0, 10, 3)  # IP_MTU_DISCOVER = IP_PMTUDISC_PROBE: never in fragments
if int(sys.argv[4]):
    sender.setsockopt(17, 103, int(sys.argv[4]))  # UDP_SEGMENT
for _ in range(int(sys.argv[3])):
    sender.sendto(bytes(int(sys.argv[2])), (sys.argv[1], 20001))
"""


@contextmanager
def _running(place: Place, code: str, *arguments: object) -> Iterator[subprocess.Popen[str]]:
    program = place.start(["/usr/bin/env", "python3", "-c", code, *map(str, arguments)],
                          stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    with program:
        try:
            yield program
        finally:
            program.kill()


def tcp_goodput_bit_s(lab: Lab, seconds: float = 1.0) -> tuple[float, int]:
    """Payload bits per second from dome to vault, and the segments that dome sent again."""
    address = lab.scenario.hosts[1].measured_address_4
    with _running(lab.hosts["vault"], _RECEIVE, address, seconds) as receiver:
        assert receiver.stdout
        receiver.stdout.readline()
        with _running(lab.hosts["dome"], _SEND, address) as sender:
            goodput = float(receiver.stdout.readline())
            receiver.wait()
            assert sender.stdout
            return goodput, int(sender.stdout.readline())


def datagrams_that_arrive(lab: Lab, payload_bytes: int, count: int = 20, *, segment_bytes: int = 0) -> int:
    """How many of `count` datagrams from dome (cut into segments by the kernel if asked) reach vault."""
    address = lab.scenario.hosts[1].measured_address_4
    with _running(lab.hosts["vault"], _COLLECT, address) as collector:
        assert collector.stdout
        assert collector.stdin
        collector.stdout.readline()
        lab.hosts["dome"].output(["python3", "-c", _SCATTER, address, str(payload_bytes), str(count),
                                  str(segment_bytes)])
        collector.stdin.close()
        return int(collector.stdout.readline())


def set_mtu_of_both(lab: Lab, mtu_bytes: int) -> None:
    for host in lab.hosts.values():
        host.output(["ip", "link", "set", "dev", "eth1", "mtu", str(mtu_bytes)])
