"""How much payload fits one packet: TCP segments and UDP datagrams over IPv4 and IPv6.

Sizes: RFC 791 and RFC 8200 (IP headers), RFC 9293 s3.7.1 and RFC 6691 (segment sizes), RFC 768 (UDP),
RFC 7323 App. A (timestamps are sent as 12 bytes).
"""

from __future__ import annotations

from typing import List, Optional

IPV4_HEADER_BYTES = 20
IPV6_HEADER_BYTES = 40
TCP_HEADER_BYTES = 20
UDP_HEADER_BYTES = 8
FRAGMENT_HEADER_BYTES = 8  # IPv6 only: IPv4 keeps a fragment's place in its ordinary header
TIMESTAMPS_OPTION_BYTES = 12
# net.ipv4.tcp_min_snd_mss (Documentation/networking/ip-sysctl.rst of Linux): no smaller segment is sent, options
# counted, whatever the path MTU or the peer says; what does not fit the MTU then leaves in fragments.
LEAST_SEND_MSS_BYTES = 48
WINDOW_SCALE_MOST = 14
LARGEST_DATAGRAM_BYTES = 65507  # of payload over IPv4 (RFC 791, RFC 768); what both families carry
_LEAST_MTU = {4: 68, 6: 1280}
_DEFAULT_MSS = {4: 536, 6: 1220}


def ip_header_bytes(family: int) -> int:
    """Bytes of an IP header without options or extension headers; `family` is 4 or 6."""
    if family == 4:
        return IPV4_HEADER_BYTES
    if family == 6:
        return IPV6_HEADER_BYTES
    raise ValueError(f"no IP family {family!r}: 4 or 6")


def min_mtu_bytes(family: int) -> int:
    """The smallest MTU on which the family works at all: 68 (RFC 791), 1280 (RFC 8200 s5)."""
    ip_header_bytes(family)
    return _LEAST_MTU[family]


def default_mss(family: int) -> int:
    """The segment size to assume of a peer that names none (RFC 9293 s3.7.1)."""
    ip_header_bytes(family)
    return _DEFAULT_MSS[family]


def advertised_mss(mtu: int, family: int = 4) -> int:
    """The segment size that an end announces for its MTU in bytes; options are not subtracted (RFC 6691)."""
    return _positive(mtu - ip_header_bytes(family) - TCP_HEADER_BYTES, mtu, "TCP segment")


def segment_payload(
    mtu: int, family: int = 4, *, timestamps: bool = True, segment_limit_bytes: Optional[int] = None
) -> int:
    """Payload bytes of a full TCP segment on a path with this MTU.

    `segment_limit_bytes` is a limit on the announced segment size (TCP_MAXSEG); as with the announced size,
    the sender takes its options out of it. Below an MTU of 88 the sending kernel's own least counts.
    """
    announced = advertised_mss(mtu, family)
    if segment_limit_bytes is not None:
        announced = min(announced, segment_limit_bytes)
    announced = max(announced, LEAST_SEND_MSS_BYTES)
    return _positive(announced - (TIMESTAMPS_OPTION_BYTES if timestamps else 0), mtu, "TCP segment")


def effective_send_mss(
    peer_mss: int, largest_message_bytes: int, *, tcp_header_bytes: int = TCP_HEADER_BYTES, ip_options_bytes: int = 0
) -> int:
    """RFC 9293 s3.7.1: min(SendMSS + 20, MMS_S) - TCPhdrsize - IPoptionsize.

    `largest_message_bytes` is the largest transport message the sender's path carries (MTU - IP header).
    """
    return min(peer_mss + TCP_HEADER_BYTES, largest_message_bytes) - tcp_header_bytes - ip_options_bytes


def datagram_payload(mtu: int, family: int = 4) -> int:
    """Payload bytes of the largest UDP datagram that passes an MTU in one packet."""
    return _positive(mtu - ip_header_bytes(family) - UDP_HEADER_BYTES, mtu, "UDP datagram")


def packet_of_datagram(payload_bytes: int, family: int = 4) -> int:
    """Bytes of the IP packet that carries a UDP payload."""
    return ip_header_bytes(family) + UDP_HEADER_BYTES + payload_bytes


def packets_of_datagram(payload_bytes: int, mtu: int, family: int = 4) -> List[int]:
    """Bytes of each IP packet that carries a UDP payload: one, or the fragments of a datagram that the MTU cuts."""
    return _cut(packet_of_datagram(payload_bytes, family), mtu, family)


def packets_of_segment(payload_bytes: int, mtu: int, family: int = 4, *, timestamps: bool = True) -> List[int]:
    """Bytes of each IP packet that carries a TCP payload: more than one only below an MTU of 88."""
    return _cut(packet_of_segment(payload_bytes, family, timestamps=timestamps), mtu, family)


def _cut(packet_bytes: int, mtu: int, family: int) -> List[int]:
    """The packet, or its fragments: multiples of 8 bytes but for the last (RFC 791 s3.2, RFC 8200 s4.5)."""
    if packet_bytes <= mtu:
        return [packet_bytes]
    header = ip_header_bytes(family) + (FRAGMENT_HEADER_BYTES if family == 6 else 0)
    most = _positive(mtu - header, mtu, "fragment") // 8 * 8
    if not most:
        raise ValueError(f"an MTU of {mtu} bytes has no room for a fragment")
    full, rest = divmod(packet_bytes - ip_header_bytes(family), most)
    return [header + most] * full + ([header + rest] if rest else [])


def packet_of_segment(payload_bytes: int, family: int = 4, *, timestamps: bool = True) -> int:
    """Bytes of the IP packet that carries a TCP payload; 0 is a bare acknowledgement."""
    options = TIMESTAMPS_OPTION_BYTES if timestamps else 0
    return ip_header_bytes(family) + TCP_HEADER_BYTES + options + payload_bytes


def selective_acknowledgement_bytes(blocks: int) -> int:
    """Bytes of the option for n blocks (RFC 2018: 8n + 2, at most 4 blocks)."""
    if not 1 <= blocks <= 4:
        raise ValueError(f"an option carries 1 to 4 blocks, not {blocks}")
    return 8 * blocks + 2


def largest_window_bytes(scale: int = WINDOW_SCALE_MOST) -> int:
    """The largest receive window for a window scale (RFC 7323 s2.2: shift at most 14)."""
    if not 0 <= scale <= WINDOW_SCALE_MOST:
        raise ValueError(f"a window scale is 0 to {WINDOW_SCALE_MOST}, not {scale}")
    return 65535 << scale


def _positive(payload_bytes: int, mtu: int, what: str) -> int:
    if payload_bytes <= 0:
        raise ValueError(f"an MTU of {mtu} bytes has no room for a {what}")
    return payload_bytes
