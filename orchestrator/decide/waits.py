"""How long a command may take at the very most: beyond it something has died without a word. Pure.

Every step of a command has a bound of its own that is told in words; these are the last line of defence behind them.
"""

from __future__ import annotations

from orchestrator.decide.commands import Command, Conduct, Rejoin
from orchestrator.decide.search import is_search
from orchestrator.decide.setup import TRAFFIC_SLACK_S, RunSetup
from orchestrator.planning.order import Trial

LONGEST_ANSWER_S = 1800.0  # restoring, with a lock to wait for and every place stuck, takes minutes
LONGEST_AROUND_TRAFFIC_S = 1800.0  # links that renegotiate, ports that begin to forward, several links in turn
MOST_SEARCH_STEPS = 200


def longest_s(setup: RunSetup, command: Command, trial: Trial | None = None) -> float:
    """Seconds after which a command's answer is not waited for any more; `trial` is the one that it conducts."""
    if isinstance(command, Rejoin):
        return LONGEST_ANSWER_S + (setup.patience_s if command.within_s is None else command.within_s)
    if isinstance(command, Conduct) and trial is not None:
        steps = MOST_SEARCH_STEPS if is_search(setup.cell(trial.cell)) else 1
        return LONGEST_AROUND_TRAFFIC_S + steps * (
            setup.warmup_s + setup.length_of(trial) + TRAFFIC_SLACK_S + LONGEST_AROUND_TRAFFIC_S
        )
    return LONGEST_ANSWER_S
