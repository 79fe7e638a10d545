"""A run full of secrets and its public copy, for the tests and for the long form of their proof."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

from orchestrator.report.public import publish
from orchestrator.results.comparison.compare import compare
from orchestrator.results.comparison.run_summary import summarise_run
from orchestrator.results.read_run import read_run
from tests.report.planted import Planter, Secret, found_in, plan_with_secrets
from tests.results.synthetic import Scenario, make_run

FACTORS = {"mtu": [1500, 9000], "transport": ["tcp", "udp"], "direction": ["transmit", "bidirectional"]}


def run_with_secrets(below: Path, seed: int) -> tuple[Path, list[tuple[str, Secret]]]:
    """A made-up run with a secret in every field, and what was planted where."""
    run = make_run(below, Scenario(factors=FACTORS, replicates=2, seed=seed))
    record = json.loads((run / "run.json").read_text())
    for name in ("survey-before.json", "survey-after.json"):
        (run / name).write_text(json.dumps({host: about["facts"] for host, about in record["hosts"].items()}))
    shutil.copy(run / "trials.csv", run / "rehearsal.csv")
    planter = Planter(seed)
    (run / "plan.yaml").write_text(plan_with_secrets(planter))
    planter.into_run(run)
    return run, planter.planted


def faults_of_the_copy(below: Path, seed: int) -> tuple[list[str], int]:
    """(what is wrong with the public copy of such a run, how many secrets were planted)."""
    run, planted = run_with_secrets(below, seed)
    copy = below / "copy"
    publish(run, copy)
    faults = found_in(copy, planted)
    faults += ["the original does not hold it"] if len(found_in(run, planted)) < len(planted) else []
    data = read_run(copy)
    faults += [] if len(data.trials) and data.factors == tuple(FACTORS) else ["the copy cannot be read"]
    faults += [] if "<h1" in (copy / "report.html").read_text() else ["the report is no page"]
    summary = summarise_run(data)
    faults += [] if compare([summary], [replace(summary, run_id="another")]).cells else ["the copy cannot be compared"]
    return faults, len(planted)
