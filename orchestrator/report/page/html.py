"""The report as one page: self-contained, and forbidden by its own policy to load or send anything."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Iterable, Sequence
from importlib import resources

from orchestrator.report import findings
from orchestrator.report.evidence import gather
from orchestrator.report.matrix import arrange
from orchestrator.report.model import Report
from orchestrator.report.page import cells as page_cells
from orchestrator.report.page import matrix as page_matrix
from orchestrator.report.page import run as page_run
from orchestrator.report.page.markup import Markup, escaped, joined, tag

# Figures with their unit inside a sentence, set in bold so that a glance finds them.
_FIGURE = re.compile(r"([+−]?\d[\d.]*\u202f(?:[GMkT]?b/s|%))")
# From this many characters on, what is far below the fold is laid out only when it is scrolled to.
LARGE_PAGE = 500_000

Section = tuple[str, str, Markup]


def page(report: Report, *, beside_tables: bool = True) -> str:
    """The whole page; `beside_tables` when it will lie in the run's folder, so that links to the tables work."""
    run = report.run
    when = " to ".join(
        str(run[key]).replace("T", " ").removesuffix("Z").removesuffix("+00:00")
        for key in ("started_at", "ended_at")
        if run.get(key)
    )
    under = [
        tag("p", str(run["purpose"]), class_="purpose") if run.get("purpose") else None,
        tag("p", f"{when} UTC", class_="when") if when else None,
    ]
    return document(
        str(run.get("plan_name", "run")),
        under,
        _sections(report, beside_tables=beside_tables),
        f"run {run.get('run_id', '')}, written by linktrial {run.get('linktrial', '')}",
    )


def document(heading: str, under: Sequence[Markup | None], sections: Sequence[Section], foot: str) -> str:
    """A page of ours: its heading, what stands under it, its contents and sections, and a last line."""
    contents = [tag("li", tag("a", title, href=f"#{name}")) for name, title, _ in sections]
    skip = (
        tag("a", "to the matrix", href="#matrix", class_="skip")
        if any(name == "matrix" for name, _, _ in sections)
        else None
    )
    header = tag("header", tag("h1", heading), *under, tag("nav", tag("ul", *contents), aria_label="Contents"))
    main = tag(
        "main",
        *(tag("section", tag("h2", title), content, id=name, aria_label=title) for name, title, content in sections),
        class_="large" if sum(len(content) for *_, content in sections) > LARGE_PAGE else None,
    )
    body = tag("body", skip, header, main, tag("footer", tag("p", foot)), tag("script", _resource("page.js")))
    return "<!doctype html>\n" + tag("html", _head(f"{heading}: link trials"), body, lang="en") + "\n"


def _resource(name: str) -> Markup:
    """Our own style sheet or script, as it is."""
    return Markup(resources.files("orchestrator.report.page").joinpath(name).read_text(encoding="utf-8"))


def _hash(content: str) -> str:
    digest = hashlib.sha256(content.encode()).digest()
    return f"'sha256-{base64.b64encode(digest).decode()}'"


def _head(title: str) -> Markup:
    style, script = _resource("page.css"), _resource("page.js")
    # Only this very style sheet and script may act; no other script, style, image, font or connection.
    policy = (
        f"default-src 'none'; style-src {_hash(style)}; script-src {_hash(script)}; base-uri 'none'; form-action 'none'"
    )
    return tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", http_equiv="Content-Security-Policy", content=policy),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="color-scheme", content="light dark"),
        tag("meta", name="referrer", content="no-referrer"),
        tag("title", title),
        tag("style", style),
    )


def _sections(report: Report, *, beside_tables: bool) -> list[Section]:
    """(anchor, heading, content) of every section that has something to say."""
    matrix = arrange(report)
    chosen = page_cells.details_of(report)
    made: list[tuple[str, str, Markup | None]] = [
        ("answer", "Answer", answer_list(report.sentences)),
        ("matrix", "Matrix", page_matrix.section(matrix, chosen, report.causes)),
        *findings.sections(report),
        ("cells", "Each cell", page_cells.section(report, gather(report.data, chosen), findings.causes(report))),
        ("not-valid", "What is not valid, and why", page_run.not_valid(report)),
        ("environment", "Where it was measured", page_run.environment(report)),
        ("method", "How it was measured", page_run.methods(report)),
        ("repeat", "How to repeat it", page_run.repeat(report)),
        ("cautions", "What not to conclude", page_run.cautions(report)),
        ("replaced", "What was replaced", page_run.replaced(report)),
        ("files", "Files", page_run.files(report, linked=beside_tables)),
    ]
    return [(name, heading, content) for name, heading, content in made if content]


def answer_list(sentences: Iterable[str]) -> Markup:
    """Sentences as the first thing on a page, their figures in bold."""
    items = [
        tag("li", _emphasised(sentence), class_="alarm" if sentence.startswith("NOT ") else None)
        for sentence in sentences
    ]
    return tag("ol", *items, class_="answer")


def _emphasised(sentence: str) -> Markup:
    pieces = _FIGURE.split(sentence)
    return joined(tag("b", piece) if place % 2 else escaped(piece) for place, piece in enumerate(pieces))
