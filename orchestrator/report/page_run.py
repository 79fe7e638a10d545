"""What surrounds the figures: what is not valid, where it was measured, how, with which care, and the files."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from orchestrator.report import ends, method
from orchestrator.report.markup import Markup, joined, tag
from orchestrator.report.model import Report
from orchestrator.report.wording import count_text
from orchestrator.results.folder import CHARTS, FILES
from orchestrator.results.plain_text import shortened

GREATEST_REASONS = 200
_GREATEST_NUMBERS = 12


def plain_table(caption: str, head: Sequence[str], rows: Iterable[Sequence[Markup | str]], class_: str = "") -> Markup:
    """A table whose first column names its rows."""
    heads = tag("thead", tag("tr", *(tag("th", text, scope="col") for text in head)))
    body = tag("tbody", *(tag("tr", tag("th", row[0], scope="row"), *(tag("td", cell) for cell in row[1:]))
                          for row in rows))
    return tag("div", tag("table", tag("caption", caption), heads, body, class_=class_ or None),
               class_="scroll", tabindex="0", role="region", aria_label=caption)


def not_valid(report: Report) -> Markup:
    """Every reason for which trials are not valid, with the trials and cells it struck."""
    groups = report.not_valid[:GREATEST_REASONS]
    if not groups:
        return tag("p", "Every trial is valid.")
    rows = [(tag("span", group.status, class_=f"tag {group.status}"), group.reason or "no reason was recorded",
             group.doubts, _numbers(group.trials), cell_links(group.cells)) for group in groups]
    left_out = len(report.not_valid) - len(groups)
    return joined([plain_table("Trials that are not valid, and why", ("status", "reason", "doubts", "trials", "cells"),
                               rows, "words"),
                   tag("p", f"{count_text(left_out, 'further reason')} in trials.csv.") if left_out else None])


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
    marked = [(row.what, *row.values, tag("span", "differs", class_="tag differs") if row.differs else "")
              for row in rows]
    return joined([plain_table("The hosts, as surveyed before the run", ("what", *names, ""), marked, "words"),
                   _bench(report.run.get("bench")), _as_found(report.run.get("as_found"))])


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
    said = "verified as found" if verdict.get("ok") is True else "NOT verified as found"
    out = [tag("p", tag("b", host), f" is {said}.", class_=None if verdict.get("ok") is True else "alarm")]
    for key, about in (("left", "what could not be put back"), ("touched", "what this run touched and now differs"),
                       ("conflicts", "what somebody else changed meanwhile"), ("other", "what else differs")):
        rows = [_difference(entry) for entry in verdict.get(key) or [] if isinstance(entry, dict)]
        if rows:
            out.append(plain_table(f"{host}: {about}", ("what", "before", "now", "command"), rows, "words"))
    return out


def _difference(entry: dict[str, Any]) -> tuple[str, str, str, Markup]:
    what = entry.get("what") or " ".join(str(entry.get(key, "")) for key in ("target", "setting")).strip()
    command = entry.get("command")
    return (shortened(what, 200), shortened(entry.get("before"), 200), shortened(entry.get("now"), 200),
            tag("code", shortened(command, 400)) if command else Markup(""))


def replaced(report: Report) -> Markup | None:
    """What was replaced before publication, when this is a public copy."""
    public = report.run.get("public")
    kinds = public.get("replaced") if isinstance(public, dict) else None
    if not isinstance(kinds, dict):
        return None
    about = ("Names and addresses on this page are stand-ins, the same one for the same thing everywhere; the "
             "originals are not in these files.")
    return joined([tag("p", about), plain_table("Replaced before publication", ("kind", "how many"),
                                                [(str(kind), str(number)) for kind, number in kinds.items()])])


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
    there = [(name, about) for name, about in FILES.items()
             if name not in ("report.html",) and (report.data.folder.has(name) or name == "report.md")]
    rows: list[tuple[Markup | str, str]] = [(tag("a", name, href=name) if linked else tag("span", name), about)
                                            for name, about in there]
    rows.append((f"{CHARTS}/", "the charts as SVG and PNG"))
    return plain_table("Files of this run", ("file", "what it holds"), rows, "words")
