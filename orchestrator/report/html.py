"""The report as one page."""

from __future__ import annotations

from orchestrator.report.markup import joined, tag
from orchestrator.report.matrix import arrange, column_label
from orchestrator.report.model import Report
from orchestrator.report.wording import rate_unit, shown


def page(report: Report) -> str:
    """The whole page."""
    matrix = arrange(report)
    unit = rate_unit(matrix.greatest_bit_s)
    head = tag("tr", *(tag("th", name, scope="col") for name in matrix.down),
               *(tag("th", column_label(column, matrix.across_factor), scope="col") for column in matrix.across))
    rows = [tag("tr", *(tag("th", level or "–", scope="row") for level in row.levels),
                *(tag("td", "–" if cell is None else cell.state if cell.mean_bit_s is None else
                      shown(cell.mean_bit_s, cell.low_bit_s, cell.high_bit_s, unit.size).value) for cell in row.cells))
            for row in matrix.rows]
    body = joined([tag("h1", report.run.get("plan_name", "run")), *(tag("p", line) for line in report.sentences),
                   tag("table", tag("caption", f"Goodput in {unit.name}"), tag("thead", head), tag("tbody", *rows))])
    return "<!doctype html>\n" + tag("html", tag("head", tag("meta", charset="utf-8"), tag("title", "linktrial")),
                                     tag("body", body), lang="en")
