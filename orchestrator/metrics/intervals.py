"""The form in which intervals go from a host to the controller and stand in the journal: small, and whole in itself.

A batch has columns instead of rows, and says a column whose values are all alike once. With 16 cores a batch of two
seconds is some 5 kB, so that a day of both ends of a link takes about 400 MB of a journal.
"""

from __future__ import annotations

from typing import Dict, Iterator, List, NamedTuple, Optional, Sequence, Tuple, TypedDict, Union

STEP_NS = 100_000_000  # one interval of a series
MOST_INTERVALS = 10**7  # of one window; more than any trial has: what says so is damaged

Column = Union[None, int, List[Optional[int]]]


class SeriesBatch(TypedDict):
    """Consecutive intervals of one way at one end; `first` is the first one's number, from 0."""

    way: str
    part: str  # send | receive
    first: int
    window_ns: int
    bytes: List[int]
    datagrams: Column


class WatchBatch(TypedDict):
    """Samples of a host's cores: by core busy, softirq, irq, steal in thousandths, and the clock in kHz."""

    t_ms: List[int]
    cores: Dict[str, List[Column]]


class Intervals(TypedDict):
    """What one end tells at a time."""

    series: List[SeriesBatch]
    watch: List[WatchBatch]


def interval_count(window_ns: int, step_ns: int = STEP_NS) -> int:
    """How many intervals a window has: one every step, the last up to half as long again instead of a sliver."""
    return max(1, -(-(window_ns - step_ns // 2) // step_ns))


def interval_end_s(place: int, window_ns: int, step_ns: int = STEP_NS) -> float:
    """When an interval ends, in seconds from the window's start; the last one ends with the window."""
    last = place + 1 >= interval_count(window_ns, step_ns)
    return round((window_ns if last else (place + 1) * step_ns) / 1e9, 6)


def packed(values: Sequence[Optional[int]]) -> Column:
    """A column: one value when all are alike."""
    return values[0] if values and all(value == values[0] for value in values) else list(values)


def unpacked(column: Column, count: int) -> List[Optional[int]]:
    """The values of a column of a batch with so many rows. ValueError when it has another number of them."""
    if not isinstance(column, list):
        return [column] * count
    if len(column) != count:
        raise ValueError(f"a column of {len(column)} values among {count}")
    return column


def series_values(batch: SeriesBatch) -> Iterator[Tuple[float, int, int]]:
    """(the interval's end, s; octets; datagrams) of each interval of a batch. ValueError when it is damaged."""
    octets, first, window_ns = batch["bytes"], int(batch["first"]), int(batch["window_ns"])
    if not 0 <= first < MOST_INTERVALS or window_ns <= 0:
        raise ValueError(f"interval {first} of {window_ns} ns")
    for place, (size, datagrams) in enumerate(zip(octets, unpacked(batch["datagrams"], len(octets))), first):
        yield interval_end_s(place, window_ns), int(size), int(datagrams or 0)


class CoreSample(NamedTuple):
    """One core at one moment of the window: shares of its time, and its clock where it has one."""

    t_s: float
    core: int
    busy: float
    softirq: float
    irq: float
    steal: float
    clock_hz: Optional[int]


def watch_values(batch: WatchBatch) -> Iterator[CoreSample]:
    """By sample and core; a core without a share then is left out."""
    times = batch["t_ms"]
    cores = [
        (int(core), [unpacked(column, len(times)) for column in columns]) for core, columns in batch["cores"].items()
    ]
    for place, t_ms in enumerate(times):
        for core, columns in cores:
            busy, softirq, irq, steal, clock_khz = (column[place] for column in columns)
            if busy is not None:
                yield CoreSample(
                    t_ms / 1000,
                    core,
                    busy / 1000,
                    (softirq or 0) / 1000,
                    (irq or 0) / 1000,
                    (steal or 0) / 1000,
                    None if clock_khz is None else 1000 * clock_khz,
                )
