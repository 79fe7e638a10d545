"""What a plan does to each host: what you would show the owner of a borrowed machine before it is done."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from orchestrator.planning.cells import COMMAND, Cell, SettingUse, plain_level
from orchestrator.planning.document import Json
from orchestrator.planning.links import ENDS, SENDERS, EndName, other_end
from orchestrator.planning.order import Trial
from orchestrator.planning.plan import Catalogue, Plan

Place = tuple[str, str, str, str]  # SettingUse.place


@dataclass(frozen=True)
class SettingChange:
    """One setting of one place on a host, with every level that it is brought to."""

    setting: str
    place: str  # an interface's mark, "" for the whole host, or the factor's name of a command
    levels: tuple[Json, ...]
    unit: str
    privilege: str
    survives_reboot: bool
    writes: int  # how often it is written, restoring included, when every trial succeeds
    programs: tuple[str, ...]  # what a setting of the user's own runs
    restarts: bool = False  # each of these writes restarts the host


@dataclass(frozen=True)
class HostChanges:
    """Everything that is done to one host."""

    host: str
    ssh: str
    privilege: str
    system: str  # "linux" or "bsd"
    settings: tuple[SettingChange, ...]
    listens: tuple[str, ...]  # ports, with the link they belong to
    traffic_s: float
    sends_bytes_at_most: int | None  # None: as much as the link carries, whose rate the plan does not say
    receives_bytes_at_most: int | None


def changes(
    plan: Plan, cells: Sequence[Cell], trials: Sequence[Trial], catalogue: Catalogue
) -> tuple[HostChanges, ...]:
    """What is done to each host of the plan."""
    counts = Counter(trial.cell for trial in trials)
    written = _written(cells, trials)
    return tuple(_of_host(plan, name, cells, counts, written, catalogue) for name in plan.hosts)


def _written(cells: Sequence[Cell], trials: Sequence[Trial]) -> Counter[Place]:
    """How often each place gets another level when the trials run in order, restoring at the end included."""
    uses = {cell.number: {use.place: use.level for use in cell.settings} for cell in cells}
    count: Counter[Place] = Counter()
    now: dict[Place, Json] = {}
    for trial in trials:
        wanted = uses[trial.cell]
        if wanted == now:
            continue
        count.update(place for place in {**now, **wanted} if place not in now or now[place] != wanted.get(place))
        now = wanted
    count.update(now.keys())
    return count


def _of_host(
    plan: Plan, name: str, cells: Sequence[Cell], counts: Counter[int], written: Counter[Place], catalogue: Catalogue
) -> HostChanges:
    """What is done to one host."""
    sends: list[int | None] = []
    receives: list[int | None] = []
    traffic_s = 0.0
    for cell in cells:
        trials = counts[cell.number]
        mine = [(link, end) for link in cell.links for end in ENDS if plan.links[link].end(end).host == name]
        traffic_s += bool(mine) * trials * (plan.trial.warmup_s + plan.trial.length_s)
        for link, end in mine:
            sends.append(_bytes(plan, cell, link, trials, end))
            receives.append(_bytes(plan, cell, link, trials, other_end(end)))
    host = plan.hosts[name]
    return HostChanges(
        host=name,
        ssh=host.ssh,
        privilege=host.privilege,
        system=host.system,
        settings=tuple(_settings(name, cells, written, catalogue)),
        listens=tuple(
            f"{link.ports[0]}-{link.ports[-1]} ({key})" for key, link in plan.links.items() if link.far.host == name
        ),
        traffic_s=traffic_s,
        sends_bytes_at_most=_total(sends),
        receives_bytes_at_most=_total(receives),
    )


def _bytes(plan: Plan, cell: Cell, link: str, trials: int, end: EndName) -> int | None:
    """The most bytes that one end of a link sends in a cell's trials; None when the plan gives no bound."""
    if end not in SENDERS[cell.traffic["direction"]]:
        return 0
    rate: float | None = plan.links[link].rate_bit_s
    offered = cell.traffic["intended_load"] or {}
    if "bit_s" in offered:
        rate = min(offered["bit_s"], rate or offered["bit_s"])
    elif "frames_s" in offered and cell.traffic["datagram_bytes"]:
        rate = min(offered["frames_s"] * cell.traffic["datagram_bytes"] * 8, rate or math.inf)
    elif "link_share" in offered and rate is not None:
        rate = rate * min(1.0, offered["link_share"])
    if rate is None:
        return None
    return int(trials * (plan.trial.warmup_s + plan.trial.length_s) * rate / 8)


def _total(parts: Sequence[int | None]) -> int | None:
    """The sum, None when any part has no bound."""
    known = [part for part in parts if part is not None]
    return sum(known) if len(known) == len(parts) else None


def _settings(
    name: str, cells: Sequence[Cell], written: Counter[Place], catalogue: Catalogue
) -> Iterator[SettingChange]:
    """The settings changed on one host, in the order in which the plan first uses them."""
    found: dict[Place, list[SettingUse]] = {}
    for cell in cells:
        for use in cell.settings:
            uses = found.setdefault(use.place, []) if use.host == name else [use]
            if all(use.level != other.level for other in uses):
                uses.append(use)
    for place, uses in found.items():
        info = catalogue[uses[0].setting]
        commands = [use.level for use in uses if use.setting == COMMAND and isinstance(use.level, dict)]
        yield SettingChange(
            setting=info.name,
            place=uses[0].factor if commands else _boot_file(uses[0]) or uses[0].selector,
            levels=tuple(plain_level(use) for use in uses),
            unit=info.unit,
            privilege=info.privilege,
            survives_reboot=info.survives_reboot,
            writes=written[place],
            programs=_programs(commands[0]) if commands else (),
            restarts=any(use.restarts for use in uses),
        )


def _boot_file(use: SettingUse) -> str:
    """The boot file that a setting writes, where the plan names it."""
    return str(use.level.get("file", "")) if use.restarts and isinstance(use.level, dict) else ""


def _programs(level: dict[str, Json]) -> tuple[str, ...]:
    """The argument lists that a setting of the user's own runs."""
    lists = [level[key] for key in ("read", "write", "check")]
    return tuple(" ".join(map(str, arguments)) for arguments in lists if isinstance(arguments, list) and arguments)
