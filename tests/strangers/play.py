"""Folders of strangers through every command: `python -m tests.strangers.play COUNT SEED [FIRST] [--whole-every N]`.

The figures at the end say of how many folders and commands; every broken promise is told with the folder's number, by
which it is made again.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from orchestrator.planning.order import SplitMix
from tests.strangers.corpus import GOOD, make_corpus
from tests.strangers.desk import Said, commands, is_long, told
from tests.strangers.mutations import KINDS, Ground, spoil
from tests.strangers.referee import VICTIMS_WORDS, changes, problems, tree

DRAWS_EVERY = 16  # folders: charts take a second
OWN_PLACES = ("XDG_STATE_HOME", "TMPDIR")  # where a command may write: marks of runs, tracebacks


@dataclass
class Tally:
    """Counts of all that was done."""

    folders: Counter[str] = field(default_factory=Counter)
    kinds: Counter[str] = field(default_factory=Counter)
    codes: Counter[tuple[str, int]] = field(default_factory=Counter)
    broken: dict[int, list[str]] = field(default_factory=dict)
    slowest: tuple[float, str] = (0.0, "")
    largest: tuple[int, str] = (0, "")

    def note(self, number: int, said: Said) -> None:
        name = f"{said.words[0]} {' '.join(word for word in said.words[1:] if word.startswith('--'))}".strip()
        self.codes[name, said.code] += 1
        self.slowest = max(self.slowest, (said.seconds, f"{name}, folder {number}"))
        self.largest = max(self.largest, (said.memory_bytes, f"{name}, folder {number}"))

    def text(self) -> str:
        """All counts."""
        names = dict.fromkeys(name for name, _ in self.codes)
        lines = [
            (
                f"{sum(self.folders.values())} folders, {sum(self.codes.values())} commands; "
                f"folders with a broken promise: {len(self.broken)}"
            ),
            "made from: " + _counted(self.folders),
            "spoilt by: " + _counted(self.kinds),
        ]
        for name in names:
            codes = sorted((code, count) for (one, code), count in self.codes.items() if one == name)
            lines.append(f"  {name}: " + ", ".join(f"exit {code} x {count}" for code, count in codes))
        lines.append(
            f"slowest: {self.slowest[0]:.2f} s ({self.slowest[1]}); "
            f"most memory: {self.largest[0] / 2**20:.0f} MiB ({self.largest[1]})"
        )
        return "\n".join(lines)


def _counted(counts: Counter[str]) -> str:
    return ", ".join(f"{name} {count}" for name, count in sorted(counts.items()))


class Table:
    """The corpus, a victim's home, and room for one folder at a time."""

    def __init__(self, top: Path, kinds: Sequence[str] | None = None) -> None:
        """`kinds`: the ways in which folders are spoilt; all by default."""
        self.top, self.home, self.kinds = top, top / "home", kinds
        for name in ("home/tree", "home/.ssh", "state", "tmp", "corpus"):
            (top / name).mkdir(parents=True)
        (self.home / "secret.txt").write_text(VICTIMS_WORDS)
        (self.home / "tree" / "one").write_text(VICTIMS_WORDS)
        os.environ |= {
            "HOME": str(self.home),
            "XDG_STATE_HOME": str(top / "state"),
            "TMPDIR": str(top / "tmp"),
            "XDG_CONFIG_HOME": str(self.home / ".config"),
            "XDG_DATA_HOME": str(self.home / ".local"),
            "XDG_CACHE_HOME": str(self.home / ".cache"),
            "NO_COLOR": "1",
            "COLUMNS": "200",
        }
        tempfile.tempdir = None
        with contextlib.chdir(self.home):
            self.corpus = make_corpus(top / "corpus")
        self.good = top / "good"
        shutil.copytree(self.corpus[GOOD], self.good)

    def play(self, number: int, seed: int, tally: Tally, whole: bool = True) -> None:
        """One folder through every command; not `whole`: of the long ones through one that is drawn."""
        dice = SplitMix(seed * 1_000_003 + number)
        source = list(self.corpus)[dice.below(len(self.corpus))]
        folder, scratch, out = (self.top / "now" / name for name in (self.corpus[source].name, "scratch", "out"))
        shutil.copytree(self.corpus[source], folder)
        scratch.mkdir()
        out.mkdir()
        with self._marks(keep=dice.below(2) == 0):
            kinds = spoil(Ground(folder, self.home, dice), self.kinds)
            before = [tree(place) for place in (self.home, self.good)]
            asked = commands(folder, self.good, out)
            if not whole:
                chosen = [words for words in asked if is_long(words)][dice.below(sum(map(is_long, asked)))]
                asked = [words for words in asked if words == chosen or not is_long(words)]
            with contextlib.chdir(self.home):
                answers = told(asked, scratch, draws=number % DRAWS_EVERY == 0)
            outside = [
                change
                for place, was in zip((self.home, self.good), before, strict=True)
                for change in changes(was, tree(place))
            ]
        tally.folders[source] += 1
        tally.kinds.update(kinds)
        found = [f"({source}, {' + '.join(kinds)}) {one}" for one in outside + list(self._secrets(out, folder))]
        for said in answers:
            tally.note(number, said)
            found += [
                f"({source}, {' + '.join(kinds)}) {' '.join(Path(word).name for word in said.words)}: {one}"
                for one in problems(said)
            ]
        kept = [path.read_text(errors="replace") for path in (self.top / "tmp").glob("linktrial-fault-*")]
        found += [_where(text) for text in kept]
        if found:
            tally.broken[number] = found
        shutil.rmtree(self.top / "tmp")
        (self.top / "tmp").mkdir()
        shutil.rmtree(self.top / "now")

    @contextlib.contextmanager
    def _marks(self, *, keep: bool) -> Iterator[None]:
        """Whether this user's linktrial has made the folder: then nothing is asked before its plan is obeyed."""
        marks, aside = self.top / "state", self.top / "aside"
        if not keep:
            marks.rename(aside)
            marks.mkdir()
        try:
            yield
        finally:
            if not keep:
                shutil.rmtree(marks)
                aside.rename(marks)

    def _secrets(self, *places: Path) -> Iterator[str]:
        for place in places:
            for path in place.rglob("*"):
                if (
                    path.is_file()
                    and not path.is_symlink()
                    and path.stat().st_size < 1 << 22
                    and path.stat().st_nlink == 1
                    and VICTIMS_WORDS.encode() in path.read_bytes()
                ):
                    yield f"what is outside was copied to {path.relative_to(place)}"


def _where(traceback: str) -> str:
    places = re.findall(r'File "[^"]*/orchestrator/([^"]*)", line (\d+), in (\w+)', traceback)
    last = " <- ".join(f"{file}:{line} {name}" for file, line, name in reversed(places[-5:]))
    return f"{traceback.strip().splitlines()[-1][:200]} at {last}"


def main() -> int:
    """Play, tell, and fail when a promise was broken."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("count", type=int, nargs="?", default=200)
    options.add_argument("seed", type=int, nargs="?", default=1)
    options.add_argument("first", type=int, nargs="?", default=0)
    options.add_argument("--whole-every", type=int, default=1, help="the others: all short commands, and a long one")
    options.add_argument("--only", choices=KINDS, nargs="+", help="spoil in these ways only")
    options.add_argument("--seconds", type=float, default=float("inf"), help="begin no folder later")
    asked = options.parse_args()
    tally, began = Tally(), time.monotonic()
    with tempfile.TemporaryDirectory(prefix="linktrial-strangers-") as top:
        table = Table(Path(top), asked.only)
        for number in range(asked.first, asked.first + asked.count):
            if time.monotonic() - began > asked.seconds:
                break
            table.play(number, asked.seed, tally, number % asked.whole_every == 0)
            for one in tally.broken.get(number, ())[:6]:
                print(f"folder {number}: {one}".encode("ascii", "backslashreplace").decode(), flush=True)
    print(
        f"seed {asked.seed}, from folder {asked.first}, one in {asked.whole_every} through every command, "
        f"in {time.monotonic() - began:.0f} s"
    )
    print(tally.text())
    return 1 if tally.broken else 0


if __name__ == "__main__":
    sys.exit(main())
