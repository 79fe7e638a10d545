"""A run's folder for publication: tables and report without names, addresses, MACs, serials and users.

The journal is left out: it is checksummed line by line and holds everything. Free text cannot be judged by a program,
so it is listed for a person to read. At the end what was written is searched for everything that was replaced.
"""

from __future__ import annotations

import csv
import gzip
import hashlib
import io
import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from orchestrator.faults import BugError, PlanError
from orchestrator.report import making
from orchestrator.report.scrub import Scrubber, is_serial
from orchestrator.results import columns
from orchestrator.results.folder import RunFolder, open_run
from orchestrator.results.write import neutral_text, restore_text
from orchestrator.run_files import MOST_TABLE_BYTES, write_file

SUMS = "SHA256SUMS"
_LEFT_OUT = ("journal.jsonl",)
_TEXTS = ("plan.yaml", "log.txt")
_SURVEYS = ("survey-before.json", "survey-after.json")
_FREE_TEXT = ("purpose", "bench", "notes")
_NAME_KEYS = {"hostname": "host", "nodename": "host", "fqdn": "host", "ssh": "host", "user": "user", "login": "user"}
_PLAN_NAMES = re.compile(r"\b(ssh|user)\s*:\s*[\"']?([^\s,}\"'#$]+)")


@dataclass(frozen=True)
class Publication:
    """What was replaced (kind -> how many), what was left out, and what a person should still read.

    `kept` are names that are words of our tables as well, so that they were not replaced.
    """

    replaced: dict[str, int]
    left_out: tuple[str, ...]
    to_read: tuple[str, ...]
    kept: tuple[str, ...]


def publish(run: Path, out: Path | None) -> tuple[Publication, list[Path]]:
    """Write the public copy of the run's folder with its report and checksums; (what was done, the files written).

    `out` must be new or empty; by default it lies beside the run. PlanError when it holds something; BugError when
    something that was replaced is still there.
    """
    folder = open_run(run)
    scrubber = Scrubber(_names(folder), _our_words(folder))
    target = out or run.resolve().parent / (scrubber.text(run.resolve().name) + "-public")
    if target.exists() and any(target.iterdir()):
        raise PlanError("not_empty", f"{target} is not empty", next_step="name another folder with --out")
    target.mkdir(parents=True, exist_ok=True)
    said = _copy(folder, target, scrubber)
    _look_again(target, scrubber.originals)
    paths = making.write(target, None)
    return said, [*paths, _write_sums(target)]


def _names(folder: RunFolder) -> Iterator[tuple[str, str]]:
    """(kind, name) of every host, user and serial that the run knows; they are replaced in running text as well."""
    run = folder.json("run.json")
    hosts = run.get("hosts")
    yield from (("host", str(name)) for name in (hosts if isinstance(hosts, dict) else ()))
    binds = run.get("binds")
    yield from (("host", str(value)) for value in (binds.values() if isinstance(binds, dict) else ()))
    for name in ("run.json", *_SURVEYS):
        if folder.has(name):
            yield from _named_values(folder.json(name))
    if folder.has("plan.yaml"):
        yield from ((_NAME_KEYS[key], name) for key, name in _PLAN_NAMES.findall(folder.text("plan.yaml")))


def _our_words(folder: RunFolder) -> Iterator[str]:
    """The words that the files are made of: the columns, and the keys of records that are not lists by host."""
    yield from (column.name for table in columns.TABLES.values() for column in table)
    run = folder.json("run.json")
    hosts = set(run["hosts"]) if isinstance(run.get("hosts"), dict) else set()
    for name in ("run.json", *_SURVEYS):
        if folder.has(name):
            yield from _keys(folder.json(name), hosts)


def _keys(value: Any, hosts: set[str]) -> Iterator[str]:
    if isinstance(value, dict):
        if not set(value) <= hosts:
            yield from map(str, value)
        value = list(value.values())
    if isinstance(value, list):
        for inner in value:
            yield from _keys(inner, hosts)


def _named_values(value: Any) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            if key in _NAME_KEYS and isinstance(inner, str):
                yield _NAME_KEYS[key], inner
            elif is_serial(key) and isinstance(inner, str):
                yield "serial", inner
            yield from _named_values(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _named_values(inner)


def _copy(folder: RunFolder, target: Path, scrubber: Scrubber) -> Publication:
    for name in _TEXTS:
        if folder.has(name):
            write_file(target / name, scrubber.text(folder.text(name)))
    for name in _SURVEYS:
        if folder.has(name):
            write_file(target / name, _json_text(scrubber.value(folder.json(name))))
    for name in columns.TABLES:
        if folder.has(name):
            _copy_table(folder, target, name, scrubber)
    run = scrubber.value(folder.json("run.json"))
    said = Publication(scrubber.replaced, tuple(name for name in _LEFT_OUT if folder.has(name)), _to_read(run, target),
                       tuple(dict.fromkeys(scrubber.kept)))
    write_file(target / "run.json", _json_text({**run, "public": asdict(said)}))
    return said


def _json_text(value: Any) -> str:
    return json.dumps(value, indent=1, ensure_ascii=False) + "\n"


def _copy_table(folder: RunFolder, target: Path, name: str, scrubber: Scrubber) -> None:
    packed = name.endswith(".gz")
    text = folder.unpacked(name).decode("utf-8", "replace") if packed else \
        folder.text(name, MOST_TABLE_BYTES)
    rows = csv.reader(io.StringIO(text, newline=""))
    header = next(rows, [])
    kinds = {column.name: column.kind for column in columns.TABLES[name]}
    texts = [place for place, column in enumerate(header) if kinds.get(column, "text") == "text"]
    known: dict[str, str] = {}
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    for row in rows:
        for place in texts:
            if place < len(row):
                row[place] = _known(row[place], known, scrubber)
        writer.writerow(row)
    data = out.getvalue().encode()
    write_file(target / name, gzip.compress(data, mtime=0) if packed else data)


def _known(text: str, known: dict[str, str], scrubber: Scrubber) -> str:
    """The scrubbed field; tables repeat themselves, so each text is looked at once."""
    if text not in known:
        known[text] = neutral_text(scrubber.text(restore_text(text)))
    return known[text]


def _to_read(run: dict[str, Any], target: Path) -> tuple[str, ...]:
    """Free text that no program can judge."""
    fields = [f"{name} in run.json and plan.yaml" for name in _FREE_TEXT if run.get(name)]
    return (*fields, *(name for name in ("log.txt",) if (target / name).exists()))


def _look_again(target: Path, originals: Iterable[str]) -> None:
    """Search what was written for what was to be replaced: a leak is our fault, and nothing is left lying about."""
    sought = sorted({text for text in originals if len(text) > 1}, key=len, reverse=True)
    if not sought:
        return
    found = re.compile("(?i)(?<![A-Za-z0-9])(?:" + "|".join(map(re.escape, sought)) + ")(?![A-Za-z0-9])")
    for path in sorted(target.iterdir()):
        leak = found.search(_values_in(path))
        if leak:
            for written in target.iterdir():
                written.unlink()
            raise BugError("public_leak", f"{path.name} still named something that was to be replaced; the public copy "
                           "was removed", path=str(path), next_step="please report this")


def _values_in(path: Path) -> str:
    """A written file's foreign content: tables without their header, JSON with its keys."""
    data = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
    text = data.decode()
    if path.suffix == ".json":
        return "\n".join(_strings(json.loads(text)))
    return text.partition("\n")[2] if ".csv" in path.name else text


def _strings(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        value = [*value, *value.values()]
    if isinstance(value, list):
        for inner in value:
            yield from _strings(inner)
    elif isinstance(value, str):
        yield value


def _write_sums(target: Path) -> Path:
    """Checksums of all files, in the form that `sha256sum --check` reads."""
    files = sorted(path for path in target.rglob("*") if path.is_file() and path.name != SUMS)
    lines = [f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.relative_to(target).as_posix()}\n"
             for path in files]
    write_file(target / SUMS, "".join(lines))
    return target / SUMS
