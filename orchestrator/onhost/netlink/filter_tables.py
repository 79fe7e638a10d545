"""Tables of the kernel's packet filter that hold chains: whether anything may drop a packet, not what it is."""

from __future__ import annotations

import struct
from typing import List

from orchestrator.onhost.netlink import frames
from orchestrator.onhost.netlink.channel import Channel

_NETLINK_NETFILTER = 12
_SUBSYSTEM = 10 << 8  # NFNL_SUBSYS_NFTABLES, include/uapi/linux/netfilter/nfnetlink.h
_NEW_TABLE, _GET_TABLE = _SUBSYSTEM | 0, _SUBSYSTEM | 1
_NAME, _CHAINS = 1, 3  # NFTA_TABLE_NAME, NFTA_TABLE_USE: .../netfilter/nf_tables.h
_HEAD = struct.Struct("!BBH")  # nfgenmsg: family, version, resource
_FAMILIES = {1: "inet", 2: "ip", 3: "arp", 5: "netdev", 7: "bridge", 10: "ip6"}


def filter_tables() -> List[str]:
    """Names such as "inet filter", sorted; empty tables are left out. OSError where the kernel lets us not look."""
    with Channel(_NETLINK_NETFILTER) as channel:
        answers = channel.dump(_GET_TABLE, _HEAD.pack(0, 0, 0))
    return sorted(filter(None, (_name(answer) for kind, answer in answers if kind == _NEW_TABLE)))


def _name(answer: bytes) -> str:
    family, _, _ = _HEAD.unpack_from(answer)
    values = frames.attribute_map(answer[_HEAD.size :])
    chains = int.from_bytes(values.get(_CHAINS, b""), "big")
    return f"{_FAMILIES.get(family, str(family))} {frames.text(values.get(_NAME, b''))}" if chains else ""
