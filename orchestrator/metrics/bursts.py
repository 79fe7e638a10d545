"""How long a burst of frames takes and how far bursts lie apart (RFC 2889 App. A).

The example there contradicts its own formula (gap 1612.8 µs "at 100 %"); the formula is what is computed here, with
the numerator of the burst time, which the text leaves out.
"""

from __future__ import annotations

import math

from orchestrator.wire.framing import GAP_BYTES, PREAMBLE_BYTES

_GAP_BITS = 8 * GAP_BYTES
_PREAMBLE_BITS = 8 * PREAMBLE_BYTES


def burst_time_s(frames: int, frame_size_bytes: int, rate_bit_s: float) -> float:
    """Seconds from the first bit of a burst to its last: frames at the least legal gap; sizes with check sequence."""
    if frames < 1:
        raise ValueError(f"a burst has 1 or more frames, not {frames}")
    bits = frames * (_PREAMBLE_BITS + 8 * frame_size_bytes) + (frames - 1) * _GAP_BITS
    return bits / rate_bit_s


def between_bursts_s(load_share: float, frames: int, frame_size_bytes: int, rate_bit_s: float) -> float:
    """Seconds between bursts so that they make up `load_share` (0 to 1) of the line."""
    if not 0 < load_share <= 1:
        raise ValueError(f"a load is a share of the line above 0 and up to 1, not {load_share}")
    idle_bits = (1 / load_share - 1) * frames * (_GAP_BITS + _PREAMBLE_BITS + 8 * frame_size_bytes)
    return (idle_bits + _GAP_BITS) / rate_bit_s


def bursts_in(duration_s: float, burst_s: float, between_s: float) -> int:
    """How many bursts begin in a trial, rounded up."""
    return math.ceil(round(duration_s / (burst_s + between_s), 9))


def frames_within(line_time_s: float, frame_size_bytes: int, rate_bit_s: float) -> int:
    """The most frames whose burst takes at most so long on the line; at least 1.

    A burst fills queues on its way that its mean rate never would: bursts are kept to 100 µs of line time by default.
    """
    each = _GAP_BITS + _PREAMBLE_BITS + 8 * frame_size_bytes
    return max(1, math.floor(round((line_time_s * rate_bit_s + _GAP_BITS) / each, 9)))
