"""A program for the switch's place: carries frames between two ports, each held back for so long, some lost."""

from __future__ import annotations

import random
import signal
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
from tests.onhost.traffic import relay

if __name__ == "__main__":
    one, other, hold_s, lost_ratio = sys.argv[1], sys.argv[2], float(sys.argv[3]), float(sys.argv[4])
    stopped: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _: stopped.append(number))
    relay._forward(one, other, lambda _: (random.random() >= lost_ratio, hold_s), relay.every, relay.Deeds(), stopped)
