"""Traffic of a few lines between the observatory's hosts, without the code that the lab is there to try."""

from __future__ import annotations

from orchestrator.lab.lab import Lab
from orchestrator.lab.pair import running, tcp_goodput_bit_s

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


def goodput_bit_s(lab: Lab, seconds: float = 1.0) -> tuple[float, int]:
    """TCP payload from dome to hall, and the segments that dome sent again."""
    return tcp_goodput_bit_s(lab.hosts["dome"], lab.hosts["hall"], lab.scenario.hosts[1].measured_address_4, seconds)


def datagrams_that_arrive(lab: Lab, payload_bytes: int, count: int = 20, *, segment_bytes: int = 0) -> int:
    """How many of `count` datagrams from dome (cut into segments by the kernel if asked) reach hall."""
    address = lab.scenario.hosts[1].measured_address_4
    with running(lab.hosts["hall"], _COLLECT, address) as (stop, counted):
        counted.readline()
        lab.hosts["dome"].output(
            ["python3", "-c", _SCATTER, address, str(payload_bytes), str(count), str(segment_bytes)]
        )
        stop.close()
        return int(counted.readline())


def set_mtu_of_both(lab: Lab, mtu_bytes: int) -> None:
    for host in lab.hosts.values():
        host.output(["ip", "link", "set", "dev", "eth1", "mtu", str(mtu_bytes)])
