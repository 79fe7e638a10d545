"""What a trial's record is worth: its status, the doubts it carries, and why. Pure.

Status of a trial: valid, suspect, impossible, failed (skipped is the runner's own word). A zero over a path that
carries frames is a failure and never a measurement.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

from orchestrator.decide.shapes.record import LinkView, TrialRecord
from orchestrator.decide.shapes.uses import AppliedUse
from orchestrator.decide.verdict import checks
from orchestrator.decide.verdict.above_ceiling import above_ceiling
from orchestrator.decide.verdict.doubts import Found
from orchestrator.decide.verdict.evidence import Way, each_link, ways


@dataclass(frozen=True)
class Verdict:
    """A trial's status, the codes of its doubts in the order found, and one or more sentences; "" when all is well."""

    status: str
    doubts: tuple[str, ...] = ()
    reason: str = ""


UNFINISHED = frozenset({"timeout", "stuck", "died", "cancelled", "too_many", "bug"})


def judge(record: TrialRecord) -> Verdict:
    """The verdict on one trial's record; on all of its links together when it ran on several at once."""
    links = each_link(record)
    return _without_measurement(links) or _measured(links)


def _without_measurement(links: Sequence[LinkView]) -> Verdict | None:
    """What keeps a trial from being a measurement at all, the nearest cause first; None for a measurement."""
    for look in (_refused_settings, _error):
        if verdict := look(links[0]):
            return verdict
    for look in (_path, _no_result, _nothing_received):
        for record in links:
            if verdict := look(record):
                return replace(verdict, reason=_named(verdict.reason, record))
    return None


def _named(sentence: str, record: LinkView) -> str:
    """A sentence about one link; with its name where the trial ran on several at once."""
    return f"{record.get('link')}: {sentence}" if record["at_once"] > 1 else sentence


def _refused_settings(record: LinkView) -> Verdict | None:
    refused = [(host, use) for host, uses in (record.get("settings") or {}).items() for use in uses if not use["ok"]]
    if not refused:
        return None
    words = "; ".join(f"{host}: {use['setting']} = {use['level']} does not hold: {_why(use)}" for host, use in refused)
    if any(use.get("code") in UNFINISHED for _, use in refused):  # that says nothing of what the host can do
        return Verdict("failed", ("setting_unfinished",), words)
    return Verdict("impossible", ("setting_refused",), words)


def _why(use: AppliedUse) -> str:
    return str(use.get("why") or f"it reads {use.get('seen')}")


# What a host cannot do, in the words of its refusals; anything else that breaks a trial off says nothing of the cell.
_CANNOT = frozenset(
    {
        "congestion_missing",
        "core_missing",
        "zero_copy_missing",
        "send_path",
        "receive_path",
        "impossible_cell",
    }
)


def _error(record: LinkView) -> Verdict | None:
    error = record.get("error")
    if not error:
        return None
    status = "impossible" if error.get("code") in _CANNOT else "failed"
    return Verdict(status, (str(error.get("code") or "error"),), str(error.get("message") or "the trial broke off"))


_PATH_STATUS = {
    "too_small": ("impossible", "path_too_small"),
    "silent": ("failed", "path_silent"),
    "refused": ("failed", "path_refused"),
}


def _path(record: LinkView) -> Verdict | None:
    path = record.get("path") or {}
    if path.get("verdict") not in _PATH_STATUS:
        return None
    status, code = _PATH_STATUS[path["verdict"]]
    return Verdict(status, (code,), str(path["sentence"]))


def _no_result(record: LinkView) -> Verdict | None:
    for way in ways(record):
        for part, side in ((way.send, way.sender), (way.receive, way.receiver)):
            if not part:
                return Verdict("failed", ("no_result",), f"{side.host or 'an end'} gave no result for {way.way}")
            if part.get("error"):
                return Verdict("failed", ("traffic_error",), f"{side.host}: {part['error']}")
        if way.goodput_bit_s is None:
            return Verdict("failed", ("no_result",), f"{way.receiver.host} measured no window for {way.way}")
    return None


def _nothing_received(record: LinkView) -> Verdict | None:
    for way in ways(record):
        if not way.receive.get("goodput_bytes"):
            return Verdict(
                "failed",
                ("nothing_received",),
                f"{way.receiver.host} received nothing from {way.sender.host} in "
                f"{way.receive['window_s']:.3g} s although the path carries frames of this size",
            )
    return None


_WHOLE_TRIAL: tuple[Callable[[LinkView], Iterator[Found]], ...] = (
    checks.settings_after,
    checks.speed_after,
    checks.boot_after,
    checks.carrier,
    checks.clocks,
    checks.heat,
    checks.steal,
    checks.foreign,
    checks.damage,
    checks.kernel_log,
    checks.path_notes,
    checks.told_whole,
)
_EACH_WAY: tuple[Callable[[Way], Iterator[Found]], ...] = (
    checks.mss,
    checks.framing,
    checks.named_interfaces,
    above_ceiling,
    checks.window_edges,
    checks.steadiness,
    checks.intended_load,
    checks.lost_on_the_way,
    checks.loss_places,
    checks.pauses,
    checks.order,
    checks.socket_buffers,
    checks.window,
)


def _doubts(record: LinkView) -> Iterator[Found]:
    """The doubts about one link of a trial."""
    yield from (doubt for check in _WHOLE_TRIAL for doubt in check(record))
    all_ways = ways(record)
    for way in all_ways:
        where = f"{way.way}: " if len(all_ways) > 1 else ""
        for doubt in (doubt for check in _EACH_WAY for doubt in check(way)):
            yield replace(doubt, sentence=_named(where + doubt.sentence, record))


def _measured(links: Sequence[LinkView]) -> Verdict:
    found = [doubt for record in links for doubt in _doubts(record)]
    found.sort(key=lambda each: each.doubt.weight != "suspect")  # the gravest first, otherwise as found
    codes = tuple(dict.fromkeys(each.doubt.code for each in found))
    reason = "; ".join(dict.fromkeys(each.sentence for each in found))
    suspect = any(each.doubt.weight == "suspect" for each in found)
    return Verdict("suspect" if suspect else "valid", codes, reason)
