"""What must hold of every command on a stranger's folder, judged from outside of it."""

from __future__ import annotations

import hashlib
import os
import re
import stat
from collections.abc import Iterator
from pathlib import Path

from tests.strangers.desk import MOST_MEMORY_BYTES, Said

VICTIMS_WORDS = "the victim's own words"
DOCUMENTED = (0, 1, 2, 3, 5, 6, 130, 143)  # 4 is our own fault, and never a stranger's doing
# Bidirectional and other controls, see `results.plain_text`; a line's end and a tabulator are ours
_RAW = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
Tree = dict[str, tuple[int, int, str]]


def tree(folder: Path) -> Tree:
    """What lies there: name -> (mode, time of change, content)."""
    found: Tree = {}
    for top, folders, files in os.walk(folder):
        for name in (*folders, *files):
            path = Path(top) / name
            status = path.lstat()
            regular = stat.S_ISREG(status.st_mode) and status.st_size < 1 << 20
            content = hashlib.sha256(path.read_bytes()).hexdigest() if regular else str(status.st_size)
            found[str(path.relative_to(folder))] = (status.st_mode, status.st_mtime_ns, content)
    return found


def changes(before: Tree, after: Tree) -> Iterator[str]:
    """Names that came, went or changed."""
    yield from (
        f"outside of the folder: {name}" for name in sorted({*before, *after}) if before.get(name) != after.get(name)
    )


def problems(said: Said) -> Iterator[str]:
    """What one command did that it must not."""
    text = said.out + said.err
    if said.code < 0 or said.code >= 90:
        yield f"ended by signal {-said.code}" if said.code < 0 else f"fell over: {text[-1500:]}"
    elif said.code not in DOCUMENTED:
        yield f"exit code {said.code}"
    if "Traceback (most recent" in text:
        yield "a traceback"
    if "our own fault" in text:
        yield f"called our own fault: {text[text.find('our own fault') :][:300]}"
    if found := _RAW.search(text):
        yield f"a raw {found.group()!r} in: {text[max(0, found.start() - 80) : found.start() + 80]!r}"
    if VICTIMS_WORDS in text:
        yield "shows what is outside of the folder"
    if said.memory_bytes > MOST_MEMORY_BYTES:
        yield f"took {said.memory_bytes >> 20} MiB"
    yield from (f"started {each}" for each in said.started)
