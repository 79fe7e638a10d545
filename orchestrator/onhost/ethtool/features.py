"""Offload features by the kernel's own names (`tx-udp-segmentation`), not by the short names of groups."""

from __future__ import annotations

import errno
import struct
from typing import Dict, List, Mapping, TypedDict

from orchestrator.onhost.ethtool.call import call, call_if_known

_GET_STRINGS, _GET_SET_SIZES, _GET_FEATURES, _SET_FEATURES = 0x1B, 0x37, 0x3A, 0x3B
_FEATURE_STRINGS = 4  # ETH_SS_FEATURES
_NAME_BYTES = 32
_BLOCK = struct.Struct("=IIII")  # available, requested, active, never changed
_BITS = 32


class RequestedState(TypedDict):
    """A feature as it is `active` now and was `requested` by somebody."""

    active: bool
    requested: bool


class FeatureState(RequestedState):
    """The same, and whether the driver lets it be changed."""

    changeable: bool


def features(interface: str) -> Dict[str, FeatureState]:
    """Every feature by name. Raises OSError."""
    names = _names(interface)
    blocks = (len(names) + _BITS - 1) // _BITS
    answer = call_if_known(interface, struct.pack("=II", _GET_FEATURES, blocks) + bytes(_BLOCK.size * blocks))
    if answer is None:
        return {}
    found: Dict[str, FeatureState] = {}
    for position, name in enumerate(names):
        available, requested, active, never = _BLOCK.unpack_from(answer, 8 + _BLOCK.size * (position // _BITS))
        bit = 1 << (position % _BITS)
        if name:
            found[name] = {
                "active": bool(active & bit),
                "requested": bool(requested & bit),
                "changeable": bool(available & bit) and not never & bit,
            }
    return found


def set_features(interface: str, wanted: Mapping[str, bool]) -> None:
    """Request features by name; raise OSError (EINVAL for a name that this kernel does not have).

    The kernel does not fail for a feature that it cannot change or that depends on another: read back.
    """
    names = _names(interface)
    blocks = (len(names) + _BITS - 1) // _BITS
    words = [0] * (2 * blocks)  # valid and requested, alternating
    for name, on in wanted.items():
        if name not in names:
            raise OSError(errno.EINVAL, f"this kernel has no feature called {name}")
        block, bit = divmod(names.index(name), _BITS)
        words[2 * block] |= 1 << bit
        words[2 * block + 1] |= (1 << bit) if on else 0
    call(interface, struct.pack(f"={2 + 2 * blocks}I", _SET_FEATURES, blocks, *words))


def _names(interface: str) -> List[str]:
    # the set's mask is a 64-bit number at offset 8; its size comes back in the word behind it
    answer = call_if_known(interface, struct.pack("=IIQI", _GET_SET_SIZES, 0, 1 << _FEATURE_STRINGS, 0))
    if answer is None:
        return []
    count = struct.unpack_from("=I", answer, 16)[0]
    strings = call(interface, struct.pack("=III", _GET_STRINGS, _FEATURE_STRINGS, count) + bytes(count * _NAME_BYTES))
    return [_text(strings[12 + at * _NAME_BYTES : 12 + (at + 1) * _NAME_BYTES]) for at in range(count)]


def _text(padded: bytes) -> str:
    return padded.split(b"\0", 1)[0].decode("ascii", "backslashreplace")
