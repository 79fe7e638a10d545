"""`linktrial explain`: what a word or a code means, where it comes from, and what to do about it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass

import click

from orchestrator.cli.say import say_json, say_text
from orchestrator.decide.verdict.doubts import DOUBTS
from orchestrator.faults import PlanError
from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning.problems import CODES as PROBLEMS
from orchestrator.planning.traffic import TRAFFIC_FACTORS
from orchestrator.results.columns import FACTORS_HERE, TABLES
from orchestrator.words import advice, glossary, host_codes, statuses
from orchestrator.words.bottlenecks import BOTTLENECKS
from orchestrator.words.exit_codes import MEANINGS, Exit
from orchestrator.words.suggest import closest

_WIDTH = 100
_HELP = """Say what WORD means, and what to do about it: a word of plans and reports, a status, a doubt, a bottleneck, a
finding of a survey, a column, a setting, an exit code, a problem of a plan, or a code with which a host refuses.

\b
linktrial explain goodput
linktrial explain sent_again
linktrial explain 5
"""


@dataclass(frozen=True)
class Explained:
    """One meaning. `kind` is what it is: a doubt, a column ...; `source` is who coined it or where it is read."""

    name: str
    kind: str
    meaning: str
    what_to_do: str = ""
    source: str = ""


@click.command("explain", help=_HELP)
@click.argument("words", nargs=-1, metavar="WORD")
@click.option("--json", "as_json", is_flag=True, help="Print data for programs.")
@click.option("--markdown", "as_page", is_flag=True, help="Print the page plans/words.md.")
def command(words: tuple[str, ...], as_json: bool, as_page: bool) -> int:
    """Explain a word or a code."""
    if as_page:
        from orchestrator.cli.words_page import page

        say_text(page().removesuffix("\n"))
        return Exit.COMPLETE
    if not words:
        raise PlanError("usage", "explain what?", next_step="linktrial explain WORD, for example: explain suspect")
    asked = " ".join(words)
    found = explained(asked)
    if not found:
        meant = closest(asked, everything_named())
        raise PlanError(
            "unknown_word",
            f"{asked!r} is no word or code of linktrial",
            next_step=f"did you mean {meant}?" if meant else "plans/words.md lists the words",
        )
    if as_json:
        say_json([asdict(each) for each in found], indent=2)
    else:
        say_text("\n\n".join("\n".join(_shown(each)) for each in found))
    return Exit.COMPLETE


def explained(asked: str) -> list[Explained]:
    """Every meaning of a word or a code; spaces, - and _ are one, and so are upper and lower case."""
    wanted = _plain(asked)
    word = glossary.found(asked) or glossary.found(asked.replace("_", " ").replace("-", " "))
    first = [_of_word(word)] if word else []
    others = (each for each in _codes() if _plain(each.name) == wanted)
    return list(dict.fromkeys([*first, *others]))


def everything_named() -> list[str]:
    """All that can be explained."""
    forms = (form for word in glossary.WORDS.values() for form in (word.word, *word.also))
    return list(dict.fromkeys([*forms, *(each.name for each in _codes())]))


def _plain(text: str) -> str:
    return text.strip().casefold().replace("-", "_").replace(" ", "_")


def _of_word(word: glossary.Word) -> Explained:
    return Explained(word.word, "word", word.meaning, "", word.source)


def _codes() -> Iterator[Explained]:
    yield from (Explained(name, "status of a trial", meaning) for name, meaning in statuses.MEANINGS.items())
    yield from (
        Explained(code, f"doubt ({doubt.weight})", told.meaning, told.what_to_do)
        for code, doubt in DOUBTS.items()
        for told in [advice.DOUBTS[code]]
    )
    yield from _advised("trial without a measurement", advice.WITHOUT_MEASUREMENT.items())
    yield from (
        Explained(code, "bottleneck", each.clause.format(host="the host"), each.what_to_do)
        for code, each in BOTTLENECKS.items()
    )
    yield from _advised("finding of a survey", advice.FINDINGS.items())
    yield from (
        Explained(code, "refusal of a host", about.meaning, f"whose: {about.whose}; {about.follows}")
        for code, about in host_codes.CODES.items()
    )
    yield from (Explained(code, "problem of a plan", meaning) for code, meaning in PROBLEMS.items())
    yield from (Explained(str(int(code)), "exit code", meaning) for code, meaning in MEANINGS.items())
    yield from _columns()
    yield from (Explained(name, "setting", info.doc, f"levels: {info.domain_text}") for name, info in CATALOGUE.items())
    yield from (
        Explained(name, "traffic factor", factor.doc, f"levels: {factor.domain_text}")
        for name, factor in TRAFFIC_FACTORS.items()
    )


def _advised(kind: str, codes: Iterable[tuple[str, advice.Advice]]) -> Iterator[Explained]:
    return (Explained(code, kind, told.meaning, told.what_to_do) for code, told in codes)


def _columns() -> Iterator[Explained]:
    """Each column once for each meaning, with the tables that have it."""
    tables: dict[tuple[str, str, str, str], list[str]] = {}
    for table, columns in TABLES.items():
        for column in columns:
            if column.name != FACTORS_HERE:
                tables.setdefault((column.name, column.meaning, column.unit, column.source), []).append(table)
    for (name, meaning, unit, source), where in tables.items():
        in_unit = {"": "", "1": "; a ratio"}.get(unit, f", in {unit}")
        yield Explained(name, f"column of {', '.join(where)}", meaning + in_unit, "", source)


def _shown(each: Explained) -> Iterator[str]:
    yield f"{each.name}  ({each.kind})"
    for text in (each.meaning, each.what_to_do, f"source: {each.source}" if each.source else ""):
        yield from textwrap.wrap(text, _WIDTH, initial_indent="    ", subsequent_indent="      ")
