"""The rehearsal: few cells in which every level of every setting and every kind of traffic occurs once."""

from __future__ import annotations

import json
from collections.abc import Sequence

from orchestrator.planning.cells import Cell

REHEARSE_S = 1.0  # of traffic in each rehearsed trial: enough to see that it flows


def rehearsal_cells(cells: Sequence[Cell]) -> list[Cell]:
    """The cells to rehearse, in the plan's order: each next one shows the most that no earlier one has shown.

    Levels that take a restart are not tried out one by one, which would take as long as the night's own restarts:
    cells of the first cell's start are preferred.
    """
    shows = {cell.number: _shows(cell) for cell in cells}
    to_show = set().union(*shows.values())
    chosen: list[Cell] = []
    while to_show:
        here = [cell for cell in cells if cell.start == cells[0].start and shows[cell.number] & to_show]
        best = max(here or cells, key=lambda cell: (len(shows[cell.number] & to_show), -cell.number))
        chosen.append(best)
        to_show -= shows[best.number]
    return sorted(chosen, key=lambda cell: cell.number)


def _shows(cell: Cell) -> set[str]:
    """What a trial of this cell would try out: its settings' levels, its traffic, and the level of staying as found."""
    settings = {
        json.dumps([use.host, use.selector, use.setting, use.level], sort_keys=True)
        for use in cell.settings
        if not use.restarts
    }
    traffic = json.dumps([cell.links, cell.traffic["transport"], cell.traffic["direction"], cell.traffic["ip"]])
    return {*settings, traffic}
