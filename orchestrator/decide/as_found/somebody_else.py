"""What somebody else changed while a run held a host: a network manager, a tuning service, a person. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import cast

from orchestrator.decide.shapes.record import Ready
from orchestrator.decide.shapes.uses import AppliedUse, ToldChange

CHANGED_OUTSIDE = "changed_outside"  # the code of a trial that was broken off because of it
NEXT_STEP = "find what sets it: a network manager, a tuning service, a person"
MOST_NAMED = 6  # in one sentence
_LONGEST_TEXT = 100


@dataclass(frozen=True)
class ExternalChange:
    """One thing that somebody else changed. `setting` and `target` name the place where the plan sets it, else "".

    The others are text; `by` may be empty.
    """

    host: str
    setting: str
    target: str
    what: str
    before: str
    now: str
    by: str = ""

    @property
    def sentence(self) -> str:
        """What, where, before and now, by whom if that is known."""
        who = f" (by {self.by})" if self.by else ""
        return f"{self.what} on {self.host}: {self.before} before, {self.now} now{who}"

    def as_dict(self) -> ToldChange:
        """For the journal."""
        return cast("ToldChange", asdict(self))


def from_host(host: str, change: ToldChange) -> ExternalChange:
    """A change as a host's helper tells it, or as the journal keeps it."""
    told = (change.get(key, "") for key in ("setting", "target", "what", "before", "now", "by"))
    return ExternalChange(host, *map(str, told))


def changed_outside(settings: Mapping[str, Sequence[AppliedUse]]) -> list[ExternalChange]:
    """What no longer holds the level it took, from what each host read back, in the host's own words if it has any."""
    return [change for host, uses in settings.items() for use in uses if not use["ok"] for change in _of_use(host, use)]


def _of_use(host: str, use: AppliedUse) -> list[ExternalChange]:
    told = [from_host(host, change) for change in use.get("changed_outside") or ()]
    return told or [_of_reading(host, use)]


def _of_reading(host: str, use: AppliedUse) -> ExternalChange:
    setting, target, level = str(use["setting"]), str(use["target"]), use["level"]
    what = (target and setting == "command" and target) or (f"{setting} of {target}" if target else setting)
    wanted = level.get("level") if isinstance(level, Mapping) else level
    seen = use.get("seen")
    now = str(use.get("why") or "not readable") if seen is None or isinstance(seen, Mapping) else str(seen)
    return ExternalChange(host, setting, target, what, str(wanted), now[:_LONGEST_TEXT])


def taken_away(host: str, interface: str, address: str, seen: Ready) -> ExternalChange | None:
    """What an interface had when the run began and has no more, from what its host saw while it waited for it."""
    if not seen.get("there", True):
        return ExternalChange(host, "", "", f"interface {interface}", "there", "gone")
    if not seen.get("up", True):
        return ExternalChange(host, "", "", f"{interface} switched on", "on", "off")
    if seen.get("carrier") and address and not seen.get("address"):
        return ExternalChange(host, "", "", f"address {address} of {interface}", "there", "gone")
    return None


def in_words(changes: Sequence[ExternalChange]) -> str:
    """All of them in one sentence, each once."""
    said = list(dict.fromkeys(change.sentence for change in changes))
    more = len(said) - MOST_NAMED
    return "; ".join(said[:MOST_NAMED]) + (f"; and {more} more" if more > 0 else "")
