"""What surrounds the figures: what is not valid, where it was measured, how, with which care, and the files."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from orchestrator.decide.as_found import stays
from orchestrator.report import ends, method
from orchestrator.report.model import Report
from orchestrator.report.page.markup import Markup, joined, tag
from orchestrator.results.folder import CHARTS, FILES
from orchestrator.words.figures import count_text
from orchestrator.words.plain_text import shortened

GREATEST_REASONS = 200
GREATEST_DIFFERENCES = 60  # of one host; more is a matter for programs
_GREATEST_NUMBERS = 12


def plain_table(caption: str, head: Sequence[str], rows: Iterable[Sequence[Markup | str]], class_: str = "") -> Markup:
    """A table whose first column names its rows."""
    heads = tag("thead", tag("tr", *(tag("th", text, scope="col") for text in head)))
    body = tag(
        "tbody", *(tag("tr", tag("th", row[0], scope="row"), *(tag("td", cell) for cell in row[1:])) for row in rows)
    )
    return tag(
        "div",
        tag("table", tag("caption", caption), heads, body, class_=class_ or None),
        class_="scroll",
        tabindex="0",
        role="region",
        aria_label=caption,
    )


def not_valid(report: Report) -> Markup:
    """Every reason for which trials are not valid, with the trials and cells it struck."""
    groups = report.not_valid[:GREATEST_REASONS]
    if not groups:
        return tag("p", "Every trial is valid.")
    rows = [
        (
            tag("span", group.status, class_=f"tag {group.status}"),
            group.reason or "no reason was recorded",
            group.doubts,
            _numbers(group.trials),
            cell_links(group.cells),
        )
        for group in groups
    ]
    left_out = len(report.not_valid) - len(groups)
    return joined(
        [
            plain_table(
                "Trials that are not valid, and why", ("status", "reason", "doubts", "trials", "cells"), rows, "words"
            ),
            tag("p", f"{count_text(left_out, 'further reason')} in trials.csv.") if left_out else None,
        ]
    )


def _numbers(numbers: Sequence[int]) -> str:
    more = len(numbers) - _GREATEST_NUMBERS
    return ", ".join(map(str, numbers[:_GREATEST_NUMBERS])) + (f" and {more} more" if more > 0 else "")


def cell_links(numbers: Sequence[int]) -> Markup:
    """Links to the details of some cells."""
    links = [tag("a", str(number), href=f"#cell-{number}") for number in numbers[:_GREATEST_NUMBERS]]
    more = len(numbers) - _GREATEST_NUMBERS
    return joined([joined(links, ", "), f" and {more} more" if more > 0 else None])


def environment(report: Report) -> Markup:
    """The hosts side by side, what differs marked by a word; then whether they are as found."""
    names, rows = ends.compare(report.run)
    if not names:
        return tag("p", "The run recorded nothing about its hosts.")
    marked = [
        (row.what, *row.values, tag("span", "differs", class_="tag differs") if row.differs else "") for row in rows
    ]
    return joined(
        [
            plain_table("The hosts, as surveyed before the run", ("what", *names, ""), marked, "words"),
            _bench(report.run.get("bench")),
            _as_found(report.run.get("as_found")),
        ]
    )


def _bench(bench: Any) -> Markup | None:
    if not isinstance(bench, dict):
        return None
    known = [(str(name), str(value)) for name, value in bench.items() if value not in ("", None)]
    caption = "What no program can read, as the plan says"
    return plain_table(caption, ("what", "value"), known, "words") if known else None


def _as_found(found: Any) -> Markup | None:
    if not isinstance(found, dict):
        return None
    return joined(part for host, verdict in found.items() for part in _one_host(str(host), verdict))


def _one_host(host: str, verdict: Any) -> list[Markup]:
    if not isinstance(verdict, dict):
        return []
    fine = verdict.get("ok") is True
    kept = stays.accepted(verdict)
    said = "verified as found" if fine else "NOT verified as found"
    but = ", but for what its owner keeps" if fine and kept else ""
    out = [tag("p", tag("b", host), f" is {said}{but}.", class_=None if fine else "alarm")]
    for about, found in (
        ("what is not as found, and what puts it right", [] if fine else stays.remaining(verdict)),
        ("what its owner keeps", kept),
        ("what else differs", stays.others(verdict)),
    ):
        rows = [_difference(one) for one in found[:GREATEST_DIFFERENCES]]
        if rows:
            out.append(plain_table(f"{host}: {about}", ("what", "before", "now", "why", "command"), rows, "words"))
        if len(found) > GREATEST_DIFFERENCES:
            out.append(tag("p", f"{count_text(len(found) - GREATEST_DIFFERENCES, 'further difference')} in run.json."))
    return out


def _difference(one: stays.Difference) -> tuple[str, str, str, str, Markup]:
    return (
        shortened(one.what, 200),
        shortened(one.before, 200),
        shortened(one.now, 200),
        shortened(one.why, 200),
        tag("code", shortened(one.command, 400)) if one.command else Markup(""),
    )


def replaced(report: Report) -> Markup | None:
    """What was replaced before publication, when this is a public copy."""
    public = report.run.get("public")
    kinds = public.get("replaced") if isinstance(public, dict) else None
    if not isinstance(kinds, dict):
        return None
    about = (
        "Names and addresses on this page are stand-ins, the same one for the same thing everywhere; the "
        "originals are not in these files."
    )
    return joined(
        [
            tag("p", about),
            plain_table(
                "Replaced before publication",
                ("kind", "how many"),
                [(str(kind), str(number)) for kind, number in kinds.items()],
            ),
        ]
    )


def repeat(report: Report) -> Markup:
    """The commands that run it again and write this page again."""
    return joined(tag("p", explanation, " ", tag("code", command)) for explanation, command in method.commands(report))


def methods(report: Report) -> Markup:
    """How it was measured, as a paragraph for a paper or a post."""
    return tag("p", " ".join(method.paragraph(report)))


def cautions(report: Report) -> Markup:
    """What a reader must not conclude, and what the run itself noted."""
    return tag("ul", *(tag("li", sentence) for sentence in method.cautions(report)))


def files(report: Report, *, linked: bool) -> Markup:
    """The files beside this page; `linked` when the page lies in the run's folder."""
    there = [
        (name, about)
        for name, about in FILES.items()
        if name not in ("report.html",) and (report.data.folder.has(name) or name == "report.md")
    ]
    rows: list[tuple[Markup | str, str]] = [
        (tag("a", name, href=name) if linked else tag("span", name), about) for name, about in there
    ]
    rows.append((f"{CHARTS}/", "the charts as SVG and PNG"))
    return plain_table("Files of this run", ("file", "what it holds"), rows, "words")
