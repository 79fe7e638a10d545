"""Two hosts' namespaces with a switch between them, made inside a namespace of the test's own and gone with it.

    near -- port0 [ switch ] port1 -- far          both ends are called eth1

Frames are frames: no segmentation below the sockets, order kept, nothing merged between.
"""

from __future__ import annotations

import ctypes
import os
from collections.abc import Callable
from typing import Any

from tests.onhost.own_namespace import as_ordinary_user, in_own_namespace, run

NEAR4, FAR4 = "198.18.7.1", "198.18.7.2"
NEAR6, FAR6 = "2001:2:0:7::1", "2001:2:0:7::2"
_NEW_MOUNTS, _NEW_NETWORK = 0x00020000, 0x40000000
_PRIVATE = 1 << 18 | 1 << 14

__all__ = [
    "FAR4",
    "FAR6",
    "NEAR4",
    "NEAR6",
    "as_ordinary_user",
    "ends",
    "enter",
    "in_own_namespace",
    "inside",
    "join_by_relay",
    "join_by_switch",
    "run",
    "shape",
]


def inside(place: str, line: str) -> str:
    """The output of a program in one of the places: near, far or switch."""
    return run(f"ip netns exec {place} {line}")


def enter(place: str) -> Callable[[], None]:
    """What a forked job calls to become a process of a place, with its own view of /sys."""

    def become() -> None:
        libc = ctypes.CDLL(None, use_errno=True)
        descriptor = os.open(f"/run/netns/{place}", os.O_RDONLY)
        for failed in (
            libc.setns(descriptor, _NEW_NETWORK),
            libc.unshare(_NEW_MOUNTS),
            libc.mount(b"none", b"/", None, ctypes.c_ulong(_PRIVATE), None),
            libc.mount(b"sysfs", b"/sys", b"sysfs", ctypes.c_ulong(0), None),
        ):
            if failed:
                raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
        os.close(descriptor)

    return become


def join_by_switch(mtu: int = 1500, segmentation: str = "gso on gro on") -> None:
    """Build all of it; `segmentation` is what software may still do ("gso off gro off": nothing at all)."""
    for place in ("near", "far", "switch"):
        run(f"ip netns add {place}")
        inside(place, "ip link set dev lo up")
    inside("switch", "ip link add name bridge0 type bridge")
    inside("switch", f"ip link set dev bridge0 up mtu {mtu}")
    for name in ("ip", "ip6", "arp"):
        inside("switch", f"sysctl -qw net.bridge.bridge-nf-call-{name}tables=0")
    for place, port, four, six in (("near", "port0", NEAR4, NEAR6), ("far", "port1", FAR4, FAR6)):
        run(f"ip link add name {port} netns switch mtu {mtu} type veth peer name eth1 netns {place} mtu {mtu}")
        inside("switch", f"ip link set dev {port} master bridge0 up gro_max_size 1")
        inside(place, "ip link set dev eth1 up")
        inside(place, f"ip addr add {four}/24 dev eth1")
        inside(place, f"ip addr add {six}/64 dev eth1 nodad")
        for where, end in (("switch", port), (place, "eth1")):
            inside(where, f"ethtool -K {end} tso off tx-udp-segmentation off {segmentation}")
            inside(where, f"tc qdisc replace dev {end} root pfifo limit 2000")


def join_by_relay(mtu: int = 1500) -> None:
    """The same two hosts, but a relay of the test's own has to carry every frame from port to port."""
    for place, port, four, six in (("near", "port0", NEAR4, NEAR6), ("far", "port1", FAR4, FAR6)):
        run(f"ip netns add {place}")
        run(f"ip link add name {port} mtu {mtu} type veth peer name eth1 netns {place} mtu {mtu}")
        run(f"sysctl -qw net.ipv6.conf.{port}.disable_ipv6=1")
        run(f"ip link set dev {port} up promisc on")
        run(f"ethtool -K {port} tso off gso off gro off tx-udp-segmentation off tx off rx off")
        inside(place, "ip link set dev eth1 up")
        inside(place, f"ip addr add {four}/24 dev eth1")
        inside(place, f"ip addr add {six}/64 dev eth1 nodad")
        # whole frames with their checksums filled in: the relay sees what a wire would carry
        inside(place, "ethtool -K eth1 tso off gso off gro off tx-udp-segmentation off tx off")


def shape(rate_bit_s: int, limit_bytes: int = 500_000) -> None:
    """Both directions at a rate, with what Ethernet adds to a frame counted: preamble, check sequence and gap."""
    burst = rate_bit_s // 8000 + 20000
    for port in ("port0", "port1"):
        inside(
            "switch",
            f"tc qdisc replace dev {port} root stab overhead 24 linklayer ethernet "
            f"tbf rate {rate_bit_s}bit burst {burst} limit {limit_bytes}",
        )


def ends(family: int = 4, **more: Any) -> dict[str, Any]:
    """The dialling end's share of the arguments."""
    local, peer = (NEAR4, FAR4) if family == 4 else (NEAR6, FAR6)
    return {"interface": "eth1", "local": local, "peer": peer, "family": family, "mtu": 1500, **more}
