"""Speed, duplex and negotiation: the link settings command and the modes that its masks name."""

from __future__ import annotations

import struct
from typing import Dict, FrozenSet, Iterable, List, Optional, Tuple, TypedDict

from orchestrator.onhost.ethtool.call import call, call_if_known

_GET, _SET = 0x4C, 0x4D
_HEAD = struct.Struct("=IIBBBBBBBbBBBB28x")  # ethtool_link_settings up to the masks, 48 bytes
_UNKNOWN_SPEED = (0, 0xFFFF, 0xFFFFFFFF)  # what "unknown" looks like, by the age of the driver
_MEGA = 1_000_000
_DUPLEX = {0: "half", 1: "full"}
_WORD_BITS = 32

# bit number: (Mb/s, duplex, name) of linux/ethtool.h; modes that are no speed have 0
_MODES: Dict[int, Tuple[int, str, str]] = {
    0: (10, "half", "10baseT"),
    1: (10, "full", "10baseT"),
    2: (100, "half", "100baseT"),
    3: (100, "full", "100baseT"),
    4: (1000, "half", "1000baseT"),
    5: (1000, "full", "1000baseT"),
    12: (10000, "full", "10000baseT"),
    15: (2500, "full", "2500baseX"),
    17: (1000, "full", "1000baseKX"),
    18: (10000, "full", "10000baseKX4"),
    19: (10000, "full", "10000baseKR"),
    23: (40000, "full", "40000baseKR4"),
    24: (40000, "full", "40000baseCR4"),
    25: (40000, "full", "40000baseSR4"),
    26: (40000, "full", "40000baseLR4"),
    31: (25000, "full", "25000baseCR"),
    32: (25000, "full", "25000baseKR"),
    33: (25000, "full", "25000baseSR"),
    36: (100000, "full", "100000baseKR4"),
    37: (100000, "full", "100000baseSR4"),
    38: (100000, "full", "100000baseCR4"),
    39: (100000, "full", "100000baseLR4"),
    41: (1000, "full", "1000baseX"),
    42: (10000, "full", "10000baseCR"),
    43: (10000, "full", "10000baseSR"),
    44: (10000, "full", "10000baseLR"),
    45: (10000, "full", "10000baseLRM"),
    46: (10000, "full", "10000baseER"),
    47: (2500, "full", "2500baseT"),
    48: (5000, "full", "5000baseT"),
    67: (100, "full", "100baseT1"),
    68: (1000, "full", "1000baseT1"),
    90: (100, "half", "100baseFX"),
    91: (100, "full", "100baseFX"),
}


class LinkSettings(TypedDict):
    """Speed in bit/s (None when unknown), duplex, negotiation, and the masks as sorted bit numbers."""

    speed_bit_s: Optional[int]
    duplex: str  # full | half | unknown
    port: int
    autoneg: bool
    supported: List[int]
    advertised: List[int]
    peer_advertised: List[int]


def link_settings(interface: str) -> Optional[LinkSettings]:
    """None when the driver does not know the command. Raises OSError."""
    words = _mask_words(interface)
    if words is None:
        return None
    answer = call(interface, _HEAD.pack(_GET, 0, 0, 0, 0, 0, 0, 0, 0, words, 0, 0, 0, 0) + bytes(12 * words))
    fields = _HEAD.unpack_from(answer)
    masks = [answer[48 + 4 * words * which : 48 + 4 * words * (which + 1)] for which in range(3)]
    supported, advertised, peer = (sorted(_bits(mask)) for mask in masks)
    return {
        "speed_bit_s": None if fields[1] in _UNKNOWN_SPEED else fields[1] * _MEGA,
        "duplex": _DUPLEX.get(fields[2], "unknown"),
        "port": fields[3],
        "autoneg": bool(fields[5]),
        "supported": supported,
        "advertised": advertised,
        "peer_advertised": peer,
    }


def set_link_settings(
    interface: str,
    *,
    autoneg: bool,
    speed_bit_s: Optional[int] = None,
    duplex: Optional[str] = None,
    advertised: Optional[Iterable[int]] = None,
) -> None:
    """Negotiate, offering the modes `advertised`; or, without `autoneg`, force speed and duplex. Raises OSError.

    What is not given stays as the driver has it.
    """
    words = _mask_words(interface)
    if words is None:
        raise OSError(95, "the driver has no link settings")
    answer = bytearray(call(interface, _HEAD.pack(_GET, 0, 0, 0, 0, 0, 0, 0, 0, words, 0, 0, 0, 0) + bytes(12 * words)))
    struct.pack_into("=I", answer, 0, _SET)
    if speed_bit_s is not None:
        struct.pack_into("=I", answer, 4, speed_bit_s // _MEGA)
    if duplex is not None:
        answer[8] = next(number for number, name in _DUPLEX.items() if name == duplex)
    answer[11] = int(autoneg)
    if advertised is not None:
        answer[48 + 4 * words : 48 + 8 * words] = _mask(advertised, words)
    call(interface, bytes(answer))


def modes_of(speed_bit_s: int, duplex: Optional[str] = None) -> FrozenSet[int]:
    """The bit numbers of every mode with this speed (and duplex)."""
    return frozenset(
        bit for bit, (speed, ways, _) in _MODES.items() if speed * _MEGA == speed_bit_s and duplex in (None, ways)
    )


def speed_modes() -> FrozenSet[int]:
    """The bit numbers of all modes that are a speed (the others say port, pause, error correction)."""
    return frozenset(_MODES)


def mode_name(bit: int) -> str:
    """A mode as people name it, such as `2500baseT full`; empty for a mode that is no speed."""
    speed, duplex, name = _MODES.get(bit, (0, "", ""))
    return f"{name} {duplex}" if speed else ""


def fastest(bits: Iterable[int]) -> Optional[int]:
    """The highest speed among modes, in bit/s; None when none is a speed."""
    speeds = [_MODES[bit][0] * _MEGA for bit in bits if bit in _MODES]
    return max(speeds) if speeds else None


def _mask_words(interface: str) -> Optional[int]:
    """How many words a mask has: asked with 0, the kernel answers with the number made negative."""
    answer = call_if_known(interface, _HEAD.pack(_GET, *(0 for _ in range(13))))
    return None if answer is None else -int(_HEAD.unpack_from(answer)[9])


def _bits(mask: bytes) -> List[int]:
    words = struct.unpack(f"={len(mask) // 4}I", mask)
    return [_WORD_BITS * at + bit for at, word in enumerate(words) for bit in range(_WORD_BITS) if word >> bit & 1]


def _mask(bits: Iterable[int], words: int) -> bytes:
    numbers = [0] * words
    for bit in bits:
        numbers[bit // _WORD_BITS] |= 1 << (bit % _WORD_BITS)
    return struct.pack(f"={words}I", *numbers)
