"""The page in a real browser: no request, no error, keyboard, contrast, print, narrow, without scripts. Prints a table.

Run by `bash tests/proofs.sh page`; exit 1 when something does not hold. With --screenshots DIR it also leaves pictures
to be looked at by eye in light, dark, print and narrow.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, Page, sync_playwright

ROOT = Path(__file__).parent.parent.parent
sys.path.insert(0, str(ROOT))

from orchestrator.report import write_report  # noqa: E402 - after the path it stands on
from tests.results.synthetic import Scenario, make_run  # noqa: E402 - as above

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
INSIDE = (Path(__file__).parent / "page_in_browser.js").read_text(encoding="utf-8")
HOSTILE = "</script><img src=x onerror=\"document.title='broken'\"><script>document.title='broken'</script>"
ORDINARY = Scenario(
    {
        "mtu": [1500, 9000, 9600],
        "clock": ["powersave", "performance"],
        "transport": ["tcp", "udp"],
        "intended_load": ["50%", "95%"],
        "direction": ["transmit", "receive", "bidirectional"],
    }
)
LARGE = Scenario(
    {
        "mtu": [1500, 9000],
        "clock": ["powersave", "performance"],
        "streams": list(range(1, 26)),
        "direction": ["transmit", "receive"],
    }
)
EVIL = Scenario(
    {HOSTILE: [HOSTILE, "x"], "direction": ["transmit", "receive"]},
    replicates=2,
    plan=HOSTILE,
    hosts=(HOSTILE, "hall"),
)


@dataclass
class Findings:
    """What was asked, and whether it held."""

    rows: list[tuple[str, bool, str]] = field(default_factory=list)

    def note(self, promise: str, holds: bool, seen: object = "") -> None:
        """One promise and what was seen."""
        self.rows.append((promise, bool(holds), str(seen)))
        print(f"{'holds' if holds else 'DOES NOT HOLD':<14} {promise}: {seen}", flush=True)


@contextmanager
def opened(browser: Browser, page_file: Path, findings: Findings, name: str, **how: Any) -> Iterator[Page]:
    """The page in a context of its own, offline; every request, error and dialog is a finding."""
    context = browser.new_context(offline=True, **how)
    page = context.new_page()
    trouble: list[str] = []
    page.on(
        "request",
        lambda request: (
            trouble.append(request.url)
            if not request.url.startswith("file://") or not request.url.partition("#")[0].endswith(page_file.name)
            else None
        ),
    )
    page.on("console", lambda message: trouble.append(message.text) if message.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.on("dialog", lambda dialog: trouble.append("a dialog"))
    page.goto(page_file.as_uri())
    yield page
    findings.note(f"{name}: no request, no error, no dialog", not trouble, trouble[:3])
    context.close()


def ask(page: Page, name: str, *arguments: object) -> Any:
    """The answer of one function of page_in_browser.js."""
    return page.evaluate(f"([name, values]) => ({INSIDE})[name](...values)", [name, list(arguments)])


def until(page: Page, expression: str, timeout_s: float = 10.0) -> None:
    """Wait until an expression is true; the driver's own waiting needs `eval`, which the page's policy forbids."""
    end = time.monotonic() + timeout_s
    while not page.evaluate(expression):
        if time.monotonic() > end:
            raise AssertionError(f"never true: {expression}")
        time.sleep(0.02)


def tab_to(page: Page, wanted: Callable[[dict[str, Any]], bool], most: int = 80) -> dict[str, Any]:
    """Press Tab until the focused element is the wanted one."""
    for _ in range(most):
        page.keyboard.press("Tab")
        found: dict[str, Any] = ask(page, "focused")
        if wanted(found):
            return found
    raise AssertionError("not reached by keyboard")


def keyboard(page: Page, findings: Findings) -> None:
    """Sorting, filtering and opening details without a mouse."""
    first = tab_to(page, lambda found: True)
    findings.note("the first stop skips to the matrix", first["text"] == "to the matrix", first)
    box = tab_to(page, lambda found: found["type"] == "checkbox")
    page.keyboard.press("Space")
    shown = page.locator("#matrix-count").inner_text()
    findings.note(
        "a filter works by keyboard and says how many rows are left",
        bool(re.fullmatch(r"12 of 18 rows shown", shown)) and box["outlined"],
        (shown, box),
    )
    tab_to(page, lambda found: found["text"] == "show all")
    page.keyboard.press("Enter")
    until(page, "document.getElementById('matrix-count').textContent.startsWith('18 of')")
    findings.note("filters are taken back by keyboard", len(ask(page, "column", 0)) == 18)
    for column, name in ((0, "mtu"), (4, "transmit")):
        head = tab_to(page, lambda found, name=name: found["tag"] == "BUTTON" and found["text"].startswith(name))
        page.keyboard.press("Enter")
        rising = [value for value in ask(page, "column", column) if value >= 0]
        page.keyboard.press("Enter")
        falling = [value for value in ask(page, "column", column) if value >= 0]
        sort = page.locator("#matrix-table thead th").nth(column).get_attribute("aria-sort")
        findings.note(
            f"{name} sorts by keyboard, both ways",
            rising == sorted(rising)
            and falling == sorted(falling, reverse=True)
            and len(set(rising)) > 1
            and sort == "descending"
            and head["outlined"],
            sort,
        )
    link = tab_to(page, lambda found: found["tag"] == "A" and bool(re.match(r"\d\.\d", found["text"])))
    page.keyboard.press("Enter")
    until(page, "location.hash.startsWith('#cell-') && document.querySelector(location.hash).open")
    findings.note("a figure opens its details by keyboard", link["outlined"], page.evaluate("location.hash"))


def readable(page: Page, findings: Findings, name: str) -> None:
    """Contrast of every visible text, all details opened."""
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    found = ask(page, "faintText")
    findings.note(
        f"{name}: every text has the contrast of WCAG AA",
        not found["faint"] and found["looked"] > 500,
        (found["looked"], found["faint"]),
    )


def printed(page: Page, findings: Findings, target: Path) -> None:
    """Pages that a printer gets."""
    page.pdf(path=str(target), format="A4", print_background=True)
    pages = len(re.findall(rb"/Type\s*/Page\b", target.read_bytes()))
    findings.note("print: a handful of pages, none for what is closed", 3 <= pages <= 16, f"{pages} pages")
    page.emulate_media(media="print")
    findings.note(
        "print: controls are gone, the matrix is there",
        not page.locator("#matrix-filter").is_visible() and page.locator("#matrix-table").is_visible(),
    )
    readable(page, findings, "print")


def ordinary(browser: Browser, page_file: Path, findings: Findings, pictures: Path) -> None:
    """Everything that is asked of an ordinary run's page."""
    desk = {"viewport": {"width": 1280, "height": 900}}
    with opened(browser, page_file, findings, "keyboard", **desk) as page:
        keyboard(page, findings)
    for theme in ("light", "dark"):
        with opened(browser, page_file, findings, theme, color_scheme=theme, **desk) as page:
            page.screenshot(path=str(pictures / f"{theme}.png"), full_page=True)
            readable(page, findings, theme)
    with opened(browser, page_file, findings, "print", **desk) as page:
        printed(page, findings, pictures / "print.pdf")
    for width in (320, 400, 800):
        with opened(browser, page_file, findings, f"{width} wide", viewport={"width": width, "height": 700}) as page:
            page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
            wider = ask(page, "wider")
            findings.note(f"{width} pixels wide: only tables scroll sideways", wider <= 0, wider)
            if width == 400:
                page.screenshot(path=str(pictures / "narrow.png"), full_page=True)
    with opened(browser, page_file, findings, "no scripts", java_script_enabled=False, **desk) as page:
        findings.note(
            "without scripts the page is whole, without dead controls",
            page.locator("#matrix-table tbody tr").count() == 18
            and not page.locator("#matrix-filter").is_visible()
            and not page.locator(".tools").is_visible(),
        )


def large(browser: Browser, page_file: Path, findings: Findings) -> None:
    """A thousand trials: small enough, and open at once."""
    size_mb = page_file.stat().st_size / 1e6
    findings.note("1,000 trials: under 2 MB", size_mb < 2, f"{size_mb:.2f} MB")
    took_ms = []
    for _ in range(5):
        with opened(browser, page_file, Findings(), "large") as page:
            took_ms.append(ask(page, "loadTime"))
    findings.note(
        "1,000 trials: open in under a second (median of 5)",
        sorted(took_ms)[2] < 1000,
        [f"{ms:.0f} ms" for ms in took_ms],
    )


def evil(browser: Browser, page_file: Path, findings: Findings) -> None:
    """Hostile names stay text, and the policy would stop them if they did not."""
    with opened(browser, page_file, findings, "hostile names") as page:
        findings.note(
            "hostile names: shown as text", HOSTILE in page.locator("h1").inner_text() and page.title() != "broken"
        )
    broken = page_file.with_name("broken.html")
    broken.write_text(page_file.read_text().replace("<main>", f"<main>{HOSTILE}"))
    context = browser.new_context(offline=True)
    page = context.new_page()
    page.goto(broken.as_uri())
    findings.note("even unescaped, the page's policy does not run them", page.title() != "broken", page.title()[:20])
    context.close()


def main() -> int:
    """Make the runs, open their pages, say what held."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--screenshots", type=Path, help="leave pictures here, to be looked at")
    parser.add_argument("--chromium", default="/usr/bin/chromium", help="the browser's program")
    asked = parser.parse_args()
    findings = Findings()
    with tempfile.TemporaryDirectory() as place, sync_playwright() as playwright:
        pages = {}
        for name, scenario in (("ordinary", ORDINARY), ("large", LARGE), ("evil", EVIL)):
            run = make_run(Path(place) / name, scenario)
            write_report(run)
            pages[name] = run / "report.html"
        pictures = asked.screenshots or Path(place)
        pictures.mkdir(parents=True, exist_ok=True)
        browser = playwright.chromium.launch(executable_path=asked.chromium, args=ARGUMENTS)
        ordinary(browser, pages["ordinary"], findings, pictures)
        large(browser, pages["large"], findings)
        evil(browser, pages["evil"], findings)
        browser.close()
    failed = [promise for promise, holds, _ in findings.rows if not holds]
    print(json.dumps({"asked": len(findings.rows), "failed": failed}))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
