"""What the user asks: the plan file, its cells and their order. Pure: imports nothing that does I/O.

text --read--> document --models, look-ups--> Plan --cells--> Cell... --schedule--> Trial...
"""

from orchestrator.planning.binds import parse_binds, unused_binds
from orchestrator.planning.cells import Cell, SettingUse, cells, hold_uses
from orchestrator.planning.load import load
from orchestrator.planning.order import Trial, schedule
from orchestrator.planning.plan import Catalogue, Plan, SettingInfo
from orchestrator.planning.problems import PlanProblems, Problem
from orchestrator.planning.reader import MOST_BYTES, decode

__all__ = [
    "MOST_BYTES",
    "Catalogue",
    "Cell",
    "Plan",
    "PlanProblems",
    "Problem",
    "SettingInfo",
    "SettingUse",
    "Trial",
    "cells",
    "decode",
    "hold_uses",
    "load",
    "parse_binds",
    "schedule",
    "unused_binds",
]
