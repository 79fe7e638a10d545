"""The search for the largest size, on made-up paths in made-up time: exact with any hole, and never fooled by loss."""

from __future__ import annotations

import random
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.decide.links.path_verdict import path_verdict
from orchestrator.onhost.path import asking as path_asking
from orchestrator.onhost.path import proof as path
from orchestrator.onhost.path.line import BACK, BIG, DONE
from orchestrator.onhost.path.probe_frame import Frame

QUIET = {"routers": [], "refusals": 0, "refused_by": [], "too_long_here": [], "dropped_here": 0}


class MadeUpPath:
    """Two lines joined by a path with a hole and loss for each direction; its clock moves only when waited for."""

    def __init__(self, mtu: int, out: int, back: int, loss: float, seed: int, delay_s: float = 1e-4) -> None:
        self.mtu, self.holes, self.loss = mtu, {"out": out, "back": back}, loss
        self.draw, self.delay_s, self.now_s = random.Random(seed), delay_s, 0.0
        self.arriving: list[tuple[float, Frame]] = []
        self.answering = path._Answering(_Line(self, "back"))
        self.asking = path_asking.Asking(_Line(self, "out"))

    def carry(self, way: str, kind: int, sequence: int, size_bytes: int, packet_bytes: int) -> None:
        if packet_bytes > self.holes[way] or (kind != DONE and self.draw.random() < self.loss):
            return
        frame = Frame(kind, size_bytes, sequence, 0, packet_bytes)
        if way == "out":
            self.answering._take(frame)
        else:
            self.arriving.append((self.now_s + 2 * self.delay_s, frame))

    def prove(self) -> dict[str, Any]:
        assert self.asking.wait_for_small(_Deaf(), 60.0)
        self.asking.prove()
        self.asking.finish()
        asked = {
            "role": "probe",
            "mtu": self.mtu,
            "small_received": self.asking.welcomed,
            "waited_s": 0.0,
            "proof_s": self.now_s,
            "received": list(self.asking.back.passed.items()),
            "acknowledged": list(self.asking.out.passed.items()),
            "sent": list(self.asking.out.tried.items()),
            "small_sent": self.asking.helloed,
            "small_behind_full": self.asking.behind_full,
            "learned_mtu_bytes": self.mtu,
            "network": QUIET,
        }
        answered = {
            "role": "answer",
            "small_received": self.answering.hellos,
            "learned_mtu_bytes": self.mtu,
            "received": list(self.answering.received.items()),
            "sent": list(self.answering.sent.items()),
            "network": QUIET,
        }
        return path_verdict(asked, answered)


class _Deaf:
    def event(self, body: dict[str, Any]) -> None:
        pass


class _Line:
    """One end's line into the made-up path."""

    def __init__(self, ground: MadeUpPath, way: str) -> None:
        self.ground, self.way = ground, way
        self.mtu, self.small_bytes = ground.mtu, min(128, ground.mtu)
        self.too_long_here: set[int] = set()
        self.refusals = 0

    def send(self, kind: int, sequence: int, *, size_bytes: int = 0, packet_bytes: int = 0) -> bool:
        assert packet_bytes <= self.mtu
        assert bool(packet_bytes) == (kind in (BIG, BACK))
        self.ground.carry(self.way, kind, sequence, size_bytes, packet_bytes or self.small_bytes)
        return True

    def receive(self, timeout_s: float) -> Frame | None:
        end_s = self.ground.now_s + timeout_s
        due = [entry for entry in self.ground.arriving if entry[0] <= end_s]
        if not due:
            self.ground.now_s = end_s + 1e-6
            return None
        first = min(due, key=lambda entry: entry[0])
        self.ground.arriving.remove(first)
        self.ground.now_s = max(self.ground.now_s, first[0])
        return first[1]

    def packet_bytes(self, frame: Frame) -> int:
        return frame.length_bytes


@pytest.fixture(autouse=True)
def _no_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """No test here may read the real clock: each path brings its own."""
    monkeypatch.setattr(path_asking, "time", None)


def _prove(mtu: int, out: int, back: int, loss: float = 0.0, seed: int = 0, delay_s: float = 1e-4) -> dict[str, Any]:
    ground = MadeUpPath(mtu, out, back, loss, seed, delay_s)
    path_asking.time = _Clock(ground)  # type: ignore[attr-defined]
    return ground.prove()


class _Clock:
    def __init__(self, ground: MadeUpPath) -> None:
        self.ground = ground

    def monotonic(self) -> float:
        return self.ground.now_s


@given(mtu=st.integers(576, 65535), out=st.floats(0, 1), back=st.floats(0, 1))
@settings(max_examples=200)
def test_the_largest_size_is_exact_in_each_direction(mtu: int, out: float, back: float):
    holes = {"transmit": 128 + int(out * (mtu - 128)), "receive": 128 + int(back * (mtu - 128))}
    verdict = _prove(mtu, holes["transmit"], holes["receive"])
    assert verdict["largest"] == holes
    assert verdict["full"] == {way: size >= mtu for way, size in holes.items()}
    assert verdict["verdict"] == ("open" if all(verdict["full"].values()) else "too_small")


@pytest.mark.parametrize("mtu", [68, 100, 128, 129, 130, 1500])
def test_small_mtus_have_no_room_for_a_search_and_need_none(mtu: int):
    assert _prove(mtu, mtu, mtu)["verdict"] == "open"


def test_one_frame_in_ten_lost_is_never_a_hole():
    """500 paths each; the chance of a false one is below 1e-4 for them all together."""
    assert [_prove(9000, 9000, 9000, 0.1, seed)["verdict"] for seed in range(500)] == ["open"] * 500


def test_one_frame_in_ten_lost_hides_no_hole_and_its_size_is_right_nearly_always():
    found = [_prove(9000, 1500, 9000, 0.1, seed) for seed in range(300)]
    assert {verdict["verdict"] for verdict in found} == {"too_small"}
    assert {verdict["full"]["receive"] for verdict in found} == {True}
    assert sum(verdict["largest"]["transmit"] == 1500 for verdict in found) >= 299


@pytest.mark.parametrize("delay_s", [1e-4, 0.005, 0.05, 0.3])
def test_a_long_path_is_given_its_time(delay_s: float):
    assert _prove(9000, 9000, 9000, delay_s=delay_s)["verdict"] == "open"
    verdict = _prove(9000, 4000, 1500, delay_s=delay_s)
    assert (verdict["verdict"], verdict["largest"]) == ("too_small", {"transmit": 4000, "receive": 1500})


def test_a_hole_is_found_within_a_second_of_the_small_frame():
    """In the path's own time, so on any machine; 0.1 ms each way."""
    assert _prove(9000, 1500, 1500)["proof_s"] < 1.0
    assert _prove(9000, 4000, 9000)["proof_s"] < 1.0
