"""The table of a helper's verbs in orchestrator/onhost/protocol.md, from the code: `python -m tests.testing.protocol`.

Arguments come from the closed table of what a controller may ask, purpose and answer from the function that does it.
"""

from __future__ import annotations

import importlib
import inspect
from typing import Any

from orchestrator.onhost.safety.renewal_line import RenewalLine
from orchestrator.onhost.service import jobs, messages
from tests.testing.source import HOUSE

PAGE = HOUSE / "onhost" / "protocol.md"
BEGIN, END = "<!-- verbs: made by python -m tests.testing.protocol -->\n", "<!-- end of verbs -->\n"
BY_THE_LOOP = {
    "lease.listen": "Renew the lease also by authenticated datagrams, for as long as traffic shares SSH's link."
}


def arguments(verb: str) -> str:
    """The keys that a verb takes, those that may be left out in brackets."""
    keys = inspect.getclosurevars(messages.VERBS[verb]).nonlocals  # type: ignore[arg-type] # a function of `record`
    told = [f"`{key}`" for key in keys["needed"]] + [f"[`{key}`]" for key in keys["optional"]]
    return ", ".join(told) or "-"


def function_of(verb: str) -> Any:
    """What does it."""
    if verb in BY_THE_LOOP:
        return RenewalLine.about
    if verb in jobs.INLINE:
        return jobs.INLINE[verb]
    call = jobs.VERBS[verb]
    return getattr(importlib.import_module(f"orchestrator.onhost.{call.room}"), call.function)


def answer(verb: str) -> str:
    """The keys of its answer, those that are not always there in brackets."""
    does = function_of(verb)
    returned = vars(inspect.getmodule(does)).get(does.__annotations__["return"])
    if returned is None:
        return "a trial's record of this end"
    required = returned.__required_keys__
    told = [f"`{key}`" if key in required else f"[`{key}`]" for key in returned.__annotations__]
    return ", ".join(told) or "-"


def purpose(verb: str) -> str:
    """The first sentence of the function that does it."""
    if verb in BY_THE_LOOP:
        return BY_THE_LOOP[verb]
    first = " ".join((inspect.getdoc(function_of(verb)) or "").split("\n\n")[0].split())
    return first.replace("|", "\\|")


def table() -> str:
    """The verbs, in the order of the code."""
    rows = [f"| `{verb}` | {arguments(verb)} | {answer(verb)} | {purpose(verb)} |" for verb in messages.VERBS]
    return "\n".join(["| verb | arguments | answer | what it does |", "|---|---|---|---|", *rows]) + "\n"


def with_table(page: str) -> str:
    """The page with today's table in its place."""
    before, rest = page.split(BEGIN)
    return before + BEGIN + table() + END + rest.split(END)[1]


if __name__ == "__main__":
    PAGE.write_text(with_table(PAGE.read_text()))
