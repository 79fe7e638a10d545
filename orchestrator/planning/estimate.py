"""How long a run of a plan takes, before anything of it was measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from orchestrator.planning.cells import Cell
from orchestrator.planning.order import Trial, restarts
from orchestrator.planning.plan import Plan
from orchestrator.planning.rehearsal import REHEARSE_S, rehearsal_cells

# Assumed until a rehearsal has measured them on the bench itself; common practice, no source.
HANDLING_S = 2.0  # one trial's settings, read-back, path proof and counters at rest
COSTLY_S = 6.0  # a link that renegotiates is away for 2 to 7 s
CHANGE_S = 0.5  # a change that drops nothing
DRAIN_S = 2.0  # RFC 2544 s23: wait two seconds for the last frames
RESTART_S = 60.0  # a small computer is back over SSH after 20 to 90 s
SESSION_S = 10.0  # connecting, surveying before and after, verifying the hosts as found


@dataclass(frozen=True)
class Estimate:
    """Seconds, by what they are spent on."""

    traffic_s: float  # warm-up and length
    quiet_s: float  # settling and draining
    handling_s: float  # our own work, and changes of settings
    rehearsal_s: float  # every level once, a second of each kind of traffic each way
    restarts_s: float = 0.0  # waiting for hosts to come back

    @property
    def total_s(self) -> float:
        """The whole run."""
        return self.traffic_s + self.quiet_s + self.handling_s + self.rehearsal_s + self.restarts_s + SESSION_S


def estimate(plan: Plan, cells: Sequence[Cell], trials: Sequence[Trial]) -> Estimate:
    """The time of one run in which every trial succeeds at once."""
    udp = {cell.number for cell in cells if cell.traffic["transport"] == "udp"}
    drained = sum(trial.cell in udp for trial in trials)
    plots = len({trial.whole_plot for trial in trials}) if plan.costly else 0
    costly = plan.costly
    rehearsed = rehearsal_cells(cells)
    changed = sum(COSTLY_S if any(use.setting in costly for use in cell.settings) else CHANGE_S for cell in rehearsed)
    return Estimate(
        restarts_s=restarts(trials, cells) * RESTART_S,
        traffic_s=len(trials) * (plan.trial.warmup_s + plan.trial.length_s),
        quiet_s=len(trials) * plan.trial.settle_s + drained * DRAIN_S,
        handling_s=len(trials) * HANDLING_S + plots * COSTLY_S,
        rehearsal_s=changed + len(rehearsed) * (REHEARSE_S + HANDLING_S),
    )
