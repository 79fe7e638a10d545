"""What a stranger may do to a folder: each kind changes one folder in place, by chance."""

from __future__ import annotations

import contextlib
import csv
import gzip
import io
import json
import os
import shutil
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import yaml

from orchestrator.planning.order import SplitMix
from tests.strangers.journals import read_bodies, write_bodies
from tests.strangers.nonsense import any_value, spoilt

NAMES = (
    "run.json",
    "plan.yaml",
    "journal.jsonl",
    "trials.csv",
    "hosts.csv",
    "cells.csv",
    "rehearsal.csv",
    "series.csv.gz",
    "watch.csv.gz",
    "counters.csv.gz",
    "columns.json",
    "log.txt",
    "report.html",
    "report.md",
    "charts",
    "survey-before.json",
    "survey-after.json",
    "broken-off.csv",
    "suite.json",
    "suite.html",
    "plans",
    "journal.cut",
    ".series.csv.gz.new",
)
SPARSE_BYTES = (65 << 20, 3 << 30, 20 << 30)
BOMB_BYTES = 600 << 20


@dataclass(frozen=True)
class Ground:
    """A folder to be spoilt, a victim's tree outside of it, and chance."""

    folder: Path
    victim: Path
    dice: SplitMix

    def one_of(self, *values: str) -> str:
        return values[self.dice.below(len(values))]

    def inside(self) -> Path:
        """The folder itself, or in a suite's mostly one of its runs."""
        runs = sorted(path.parent for path in self.folder.glob("*/run.json"))
        return runs[self.dice.below(len(runs))] if runs and self.dice.below(4) else self.folder

    def existing(self, *endings: str) -> Path | None:
        """One of the regular files with such an ending."""
        files = sorted(
            path
            for path in self.folder.rglob("*")
            if path.name.endswith(endings) and path.is_file() and not path.is_symlink()
        )
        return files[self.dice.below(len(files))] if files else None

    def any_name(self) -> Path:
        """Where one of a folder's files is or would be; there is nothing any more."""
        path = self.inside() / self.one_of(*NAMES)
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)
        return path


def link(ground: Ground) -> None:
    targets = (
        ground.victim / "secret.txt",
        ground.victim / "tree",
        ground.victim / "not-there",
        Path("/dev/zero"),
        Path("/proc/self/environ"),
        Path("/"),
    )
    path = ground.any_name()
    target = targets[ground.dice.below(len(targets))]
    path.symlink_to(os.path.relpath(target, path.parent) if ground.dice.below(3) == 0 else target)


def loop(ground: Ground) -> None:
    path = ground.any_name()
    path.symlink_to(path.name if ground.dice.below(2) else ".")


def hard_link(ground: Ground) -> None:
    os.link(ground.victim / "secret.txt", ground.any_name())


def pipe(ground: Ground) -> None:
    os.mkfifo(ground.any_name())


def a_socket(ground: Ground) -> None:
    path = ground.any_name()
    with contextlib.chdir(path.parent), socket.socket(socket.AF_UNIX) as made:
        made.bind(path.name)


def sparse(ground: Ground) -> None:
    path = ground.any_name()
    path.touch()
    os.truncate(path, SPARSE_BYTES[ground.dice.below(len(SPARSE_BYTES))])


def empty(ground: Ground) -> None:
    ground.any_name().touch()


def gone(ground: Ground) -> None:
    ground.any_name()


def folder_there(ground: Ground) -> None:
    path = ground.any_name()
    path.mkdir()
    (path / ground.one_of("x", "one.svg", "run.json")).write_text("{}")


def torn(ground: Ground) -> None:
    if path := ground.existing(""):
        os.truncate(path, ground.dice.below(path.stat().st_size + 1))


def flipped(ground: Ground) -> None:
    if (path := ground.existing("")) and path.stat().st_size:
        data = bytearray(path.read_bytes())
        for _ in range(1 + ground.dice.below(8)):
            data[ground.dice.below(len(data))] ^= 1 << ground.dice.below(8)
        path.write_bytes(data)


def bomb(ground: Ground) -> None:
    path = ground.inside() / ground.one_of("series.csv.gz", "watch.csv.gz", "counters.csv.gz")
    data = gzip.compress(ground.one_of("\0", "1,1,1\n", "x").encode() * (8 << 20))
    header = b"".join(path.read_bytes()[:200] for _ in range(1) if path.is_file())
    path.unlink(missing_ok=True)
    path.write_bytes((header if ground.dice.below(2) else b"") + data * (BOMB_BYTES // (8 << 20)))


def deep_json(ground: Ground) -> None:
    path = ground.inside() / ground.one_of("run.json", "columns.json", "survey-before.json", "suite.json")
    levels = (70, 900, 2_000, 200_000)[ground.dice.below(4)]
    path.write_text(ground.one_of("[", '{"a":') * levels + ground.one_of("", "1" + "]" * levels))


def wide_json(ground: Ground) -> None:
    path = ground.existing("run.json", "suite.json", "survey-before.json")
    if path is not None:
        found = json.loads(path.read_text())
        where = found[ground.one_of(*found)] if isinstance(found, dict) and found else found
        if isinstance(where, dict):
            where.update({f"k{number}": {"facts": {}} for number in range(20_000)})
        elif isinstance(where, list):
            where.extend(where[:1] * 2_000)
        path.write_text(json.dumps(found))


def spoilt_json(ground: Ground) -> None:
    if path := ground.existing("run.json", "run.json", "suite.json", "columns.json", "before.json", "after.json"):
        found = json.loads(path.read_text())
        for _ in range(1 + ground.dice.below(3)):
            found = spoilt(found, ground.dice)
        path.write_text(json.dumps(found))


def spoilt_journal(ground: Ground) -> None:
    if path := ground.existing("journal.jsonl"):
        bodies = read_bodies(path)
        for _ in range(1 + ground.dice.below(3)):
            place = ground.dice.below(len(bodies)) if ground.dice.below(5) else 0
            kind, body = bodies[place]
            bodies[place] = (kind, spoilt(body, ground.dice))
        write_bodies(path, bodies)


def other_story(ground: Ground) -> None:
    """Lines left out, doubled, exchanged, and of other kinds."""
    if path := ground.existing("journal.jsonl"):
        bodies = read_bodies(path)
        for _ in range(1 + ground.dice.below(4)):
            one, two = ground.dice.below(len(bodies)), ground.dice.below(len(bodies))
            way = ground.dice.below(4)
            if way == 0 and len(bodies) > 1:
                del bodies[one]
            elif way == 1:
                bodies.insert(one, bodies[two])
            elif way == 2:
                bodies[one], bodies[two] = bodies[two], bodies[one]
            else:
                bodies[one] = (ground.one_of("setup", "event", "intent", "note", "intervals", "other"), bodies[one][1])
        write_bodies(path, bodies)


def spoilt_table(ground: Ground) -> None:
    path = ground.existing(".csv", ".csv", ".csv.gz")
    if path is None:
        return
    packed = path.name.endswith(".gz")
    data = path.read_bytes()
    rows = list(
        csv.reader(
            io.StringIO((gzip.decompress(data) if packed and data else data).decode(errors="replace"), newline="")
        )
    )
    for _ in range(1 + ground.dice.below(5)):
        _spoil_rows(rows, ground)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator=ground.one_of("\n", "\n", "\r\n", "\r"), escapechar="\\")
    with contextlib.suppress(csv.Error):
        writer.writerows(rows)
    text = out.getvalue().encode(errors="surrogatepass")
    path.write_bytes(gzip.compress(text) if packed else text)


def _spoil_rows(rows: list[list[str]], ground: Ground) -> None:
    if not rows or not rows[0]:
        rows.insert(0, ["trial"])
        return
    dice, row, column = ground.dice, ground.dice.below(len(rows)), ground.dice.below(len(rows[0]))
    way = dice.below(9)
    if way == 0:
        rows[0][column] = str(any_value(dice))
    elif way == 1:
        rows[0].append(rows[0][column])
    elif way == 2:
        del rows[row]
    elif way == 3:
        rows.append(list(rows[row]))
    elif way == 4:
        rows[row] = rows[row][:column]
    elif way == 5:
        rows[0], rows[row] = rows[row], rows[0]
    elif way == 6:
        for each in rows:
            del each[column : column + 1]
    elif column < len(rows[row]):
        rows[row][column] = str(any_value(dice))


def spoilt_plan(ground: Ground) -> None:
    """As data; as text plans are spoilt by `tests.strangers.plans`."""
    if path := ground.existing(".yaml"):
        found = yaml.safe_load(path.read_text())
        for _ in range(1 + ground.dice.below(2)):
            found = spoilt(found, ground.dice)
        with contextlib.suppress(yaml.YAMLError, ValueError, UnicodeError):
            path.write_text(yaml.dump(found, allow_unicode=bool(ground.dice.below(2))))


def closed(ground: Ground) -> None:
    """A file, or a folder with all that is in it, whose permissions keep its own user from reading or writing."""
    there = sorted(
        path for path in ground.folder.rglob("*") if not path.is_symlink() and (path.is_dir() or path.is_file())
    )
    path = [ground.folder, *there][ground.dice.below(1 + len(there))]
    path.chmod((0o000, 0o200, 0o400, 0o500, 0o100)[ground.dice.below(5)])


def spoilt_log(ground: Ground) -> None:
    if path := ground.existing("log.txt", ".md", ".html"):
        path.write_bytes(str(any_value(ground.dice)).encode(errors="surrogatepass") * 20 + b"\xff\xfe\n")


def extra(ground: Ground) -> None:
    """Files that no run makes, many or with names that nobody means."""
    folder = ground.inside()
    if ground.dice.below(4) == 0:
        for number in range(21_000):
            (folder / f"x{number}").touch()
        return
    name = str(any_value(ground.dice)).replace("/", "|").replace("\0", "0")[:100]
    for each in (name, f"{name}.yaml"):
        with contextlib.suppress(OSError, ValueError):
            (folder / each.encode(errors="replace").decode()).write_text(name.encode(errors="replace").decode())


KINDS: dict[str, Callable[[Ground], None]] = {
    "link": link,
    "loop": loop,
    "hard link": hard_link,
    "pipe": pipe,
    "socket": a_socket,
    "sparse": sparse,
    "empty": empty,
    "gone": gone,
    "folder": folder_there,
    "torn": torn,
    "flipped": flipped,
    "gzip bomb": bomb,
    "deep JSON": deep_json,
    "wide JSON": wide_json,
    "JSON": spoilt_json,
    "journal": spoilt_journal,
    "story": other_story,
    "table": spoilt_table,
    "plan": spoilt_plan,
    "log": spoilt_log,
    "extra": extra,
    "closed": closed,
}
OFTEN = ("JSON", "JSON", "journal", "journal", "journal", "table", "table", "story", "plan")


def spoil(ground: Ground, only: Sequence[str] | None = None) -> list[str]:
    """Spoil a folder in one way or two, of all or of those given; the kinds."""
    kinds = list(only or [*KINDS, *OFTEN])
    asked = [kinds[ground.dice.below(len(kinds))] for _ in range(1 + (ground.dice.below(4) == 0))]
    for kind in asked:
        with (
            contextlib.suppress(OSError, ValueError, TypeError, KeyError, IndexError, AttributeError)
            if kind != asked[0]
            else contextlib.nullcontext()
        ):  # what the first has left may be no file any more
            KINDS[kind](ground)
    return asked
