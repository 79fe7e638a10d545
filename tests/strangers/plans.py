"""Mutated plans through the whole of `check`: `python -m tests.strangers.plans COUNT SEED`.

As text by `tests.planning.test_hostile_plans`, and as data; many to a process, each told apart by what was printed.
"""

from __future__ import annotations

import os
import re
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import yaml

from orchestrator.planning.order import SplitMix
from tests.strangers.desk import Said, told
from tests.strangers.nonsense import spoilt
from tests.strangers.referee import problems

PLANS = Path(__file__).parents[2] / "plans"
AT_ONCE = 50
_BOUND = re.compile(r"\$([a-z][a-z0-9_]*)")
_LINES = (
    "a: &a [*a]",
    "&a plan: *a",
    "plan: !!python/object/apply:os.system [id]",
    "<<: {plan: x}",
    "? [1]\n: 2",
    "plan: x\nplan: y",
    "%TAG ! tag:x,2000:",
    "--- {}\n--- {}",
    "x: |\n  " + "y" * 50_000,
    "[" * 3_000,
)


def mutant(texts: list[str], dice: SplitMix) -> str:
    """A plan with something else in it, as data, as text, or with a part of YAML that plans do not have."""
    text, way = texts[dice.below(len(texts))], dice.below(3)
    if way == 0:
        try:
            return str(yaml.dump(spoilt(yaml.safe_load(text), dice), allow_unicode=bool(dice.below(2))))
        except (yaml.YAMLError, ValueError, UnicodeError):
            return text
    lines = text.splitlines()
    for _ in range(1 + dice.below(3)):
        place = dice.below(len(lines) + 1)
        if way == 1:
            lines.insert(place, _LINES[dice.below(len(_LINES))])
        elif lines:
            one, at = lines[place % len(lines)], dice.below(80)
            lines[place % len(lines)] = one[:at] + chr(dice.below(0x250)) + one[at + dice.below(4) :]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Check them all, tell, and fail when a promise was broken."""
    count, seed = (*map(int, sys.argv[1:]), *(200, 1)[len(sys.argv) - 1 :])
    texts = [path.read_text() for path in sorted(PLANS.rglob("*.yaml"))]
    dice, codes, broken, began = SplitMix(seed), Counter[int](), 0, time.monotonic()
    slowest, largest = 0.0, 0
    with tempfile.TemporaryDirectory(prefix="linktrial-strangers-") as top:
        os.environ |= {"HOME": top, "XDG_STATE_HOME": top, "TMPDIR": top, "NO_COLOR": "1"}
        for first in range(0, count, AT_ONCE):
            files = [Path(top) / f"{number}.yaml" for number in range(first, min(count, first + AT_ONCE))]
            asked = []
            for file in files:
                text = mutant(texts, dice)
                file.write_bytes(text.encode(errors="surrogatepass"))
                asked.append(
                    (
                        "check",
                        str(file),
                        *(word for name in sorted(set(_BOUND.findall(text))) for word in ("--bind", f"{name}=hall")),
                    )
                )
            answers: list[Said] = told(asked, Path(top))
            for file, said in zip(files, answers, strict=True):
                codes[said.code] += 1
                slowest, largest = max(slowest, said.seconds), max(largest, said.memory_bytes)
                if found := list(problems(said)):
                    broken += 1
                    print(f"plan {file.stem}: {found}".encode("ascii", "backslashreplace").decode(), flush=True)
                file.unlink()
    print(
        f"{count} plans of seed {seed} through check in {time.monotonic() - began:.0f} s: "
        + ", ".join(f"exit {code} x {number}" for code, number in sorted(codes.items()))
        + f"; slowest {slowest:.2f} s, most memory {largest / 2**20:.0f} MiB; plans with a broken promise: {broken}"
    )
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
