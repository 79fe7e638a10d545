"""From the text of a plan file to a plan, or to everything that is wrong with it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from orchestrator.planning.conditions import condition, with_only
from orchestrator.planning.consistency import check_cells, check_hosts_and_links, check_replicates, names
from orchestrator.planning.document import Document, shown
from orchestrator.planning.factors import Lookup
from orchestrator.planning.links import ENDS
from orchestrator.planning.min_lease import check_lease
from orchestrator.planning.old_words import OldWords
from orchestrator.planning.parts import Parts, validated
from orchestrator.planning.plan import Catalogue, Change, Factor, Host, Plan, PowerCycle
from orchestrator.planning.problems import PlanProblems
from orchestrator.planning.reader import read


def load(
    text: str,
    *,
    name: str = "plan.yaml",
    binds: Mapping[str, str] | None = None,
    catalogue: Catalogue,
    used: set[str] | None = None,
) -> Plan:
    """The plan in `text`; raises PlanProblems with everything that is wrong. Contacts nobody.

    `binds` are the values of `$name` in the text. One that this text does not use may be for another plan of a suite,
    so the names that it does use are added to `used`, and `unused_binds` says at the end which bind nobody used.
    """
    document = read(text, name=name, binds=binds)
    if old := OldWords(document):
        document = read(old.text(), name=name, binds=binds)
    plan = _plan(document, catalogue)
    if used is not None:
        used.update(document.bound)
    if old:
        raise PlanProblems([*old.problems(), *map(old.as_it_stands, document.problems)])
    if document.problems or plan is None:
        raise PlanProblems(document.problems)
    return plan


def _plan(document: Document, catalogue: Catalogue) -> Plan | None:
    """The plan in a document; None when nothing of it can be used. Problems are noted in the document."""
    if not isinstance(document.data, dict):
        if not document.problems:
            document.report(
                (),
                "wrong-type",
                f"a plan is a mapping, not {shown(document.data)}",
                "it begins with `plan: <name>`",
            )
        return None
    parts = validated(document)
    check_hosts_and_links(document, parts)
    before = len(document.problems)
    plan = _looked_up(document, parts, catalogue)
    whole = len(document.problems) == before and parts.complete(document)
    check_replicates(document, plan)
    if whole:
        check_cells(document, plan)
        if not document.problems:
            check_lease(document, plan)
    return plan


def _looked_up(document: Document, parts: Parts, catalogue: Catalogue) -> Plan:
    """The plan with every name looked up."""
    lookup = Lookup(document, catalogue, frozenset(names(document, "hosts")))
    hold = [change for number, text in parts.hold.items() if (change := lookup.hold(number, text))]
    found = {name: factor for name, text in parts.factors.items() if (factor := lookup.factor(name, text))}
    declared = names(document, "factors")
    for number, text in parts.leave_out.items():
        if not text:
            document.report(("leave_out", number), "bad-value", "an empty condition would leave everything out")
    factors = with_only(document, {name: text.only for name, text in parts.factors.items()}, found, declared)
    conditions = [
        wanted
        for number, text in parts.leave_out.items()
        if (wanted := condition(document, ("leave_out", number), text, factors, declared))
    ]
    top = parts.top
    return Plan(
        plan=top.plan,
        purpose=top.purpose,
        bench=top.bench,
        links=parts.links,
        hold=tuple(hold),
        factors=factors,
        hosts={
            name: Host(
                text.ssh,
                text.user,
                text.port,
                text.privilege or _needed(name, parts, hold, factors),
                text.host_key,
                PowerCycle(tuple(text.power_cycle.command), text.power_cycle.wait_s) if text.power_cycle else None,
                text.system,
            )
            for name, text in parts.hosts.items()
        },
        leave_out=tuple(conditions),
        trial=top.trial,
        order=top.order,
        lease_s=top.lease_s,
        patience_s=top.patience_s,
        changed_outside=top.changed_outside,
        accept=top.accept,
        threshold_ratio=top.threshold_ratio,
        budget_s=top.budget_s,
        screen=top.screen,
        binds=dict(document.bound),
        name=document.name,
    )


def _needed(host: str, parts: Parts, hold: Iterable[Change], factors: Mapping[str, Factor]) -> str:
    """The least privilege that the plan's changes on a host need."""
    changes = [*hold, *(change for factor in factors.values() for level in factor.levels for change in level.changes)]
    ends = {name for link in parts.links.values() for name in ENDS if link.end(name).host == host}
    needed = any(
        change.privilege == "root" and (change.where.host == host or ends & set(change.where.ends))
        for change in changes
    )
    return "sudo" if needed else "none"
