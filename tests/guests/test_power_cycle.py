"""A guest whose power is really gone in the middle of a run is switched on again by the plan's own command."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import pytest

from orchestrator.lab.guests.machines import Machines
from orchestrator.words.exit_codes import Exit
from tests.guests.runs import as_found, plan, rows

pytestmark = [pytest.mark.guests, pytest.mark.proof, pytest.mark.timeout(290)]
_REST = """\
patience: {patience}
factors: {{mtu: [1500, 1400], direction: [transmit]}}
trial: {{length: 1s, warmup: 0s, settle: 0s, replicates: 2}}
"""


def events(folder: Path, kind: str) -> list[dict[str, object]]:
    """Events of one kind in a run's journal, as far as it is written."""
    journal = folder / "journal.jsonl"
    lines = [line for line in journal.read_text().splitlines() if f'"{kind}"' in line] if journal.exists() else []
    return [body for body in (json.loads(line)["body"] for line in lines) if body.get("event") == kind]


def test_a_guest_that_lost_its_power_is_switched_and_the_run_ends_complete(
    observatory: Machines, tmp_path: Path
) -> None:
    command = json.dumps(observatory.power_command("dome"))
    text = plan(_REST.format(patience="10s"), "powerless").replace(
        "{ssh: dome, ", f"{{power_cycle: {{command: {command}, wait: 120s}}, ssh: dome, "
    )
    (tmp_path / "plan.yaml").write_text(text)
    out, said = tmp_path / "runs", tmp_path / "said"
    with said.open("wb") as talk:
        running = observatory.lab.start(
            [
                sys.executable,
                "-P",
                "-m",
                "orchestrator.cli",
                "run",
                str(tmp_path / "plan.yaml"),
                "--out",
                str(out),
                "--ssh-config",
                observatory.ssh_config,
            ],
            stdout=talk,
            stderr=subprocess.STDOUT,
        )
        try:
            until = time.monotonic() + 120
            while not any(
                int(str(event["position"])) > 0 for folder in out.glob("*") for event in events(folder, "Conducted")
            ):
                assert running.poll() is None, said.read_text()
                assert time.monotonic() < until, said.read_text()
                time.sleep(0.05)
            starts = observatory["dome"].boots
            observatory["dome"].cut_power()
            code = running.wait(200)
        finally:
            running.kill()
            running.wait()
    (folder,) = out.iterdir()
    assert code == Exit.COMPLETE, said.read_text()
    assert len(events(folder, "PowerCycled")) == 1
    assert [event["outcome"] for event in events(folder, "Rejoined")] == ["rebooted"]
    assert observatory["dome"].boots == starts + 1
    assert [row["status"] for row in rows(folder)] == ["valid"] * 4
    assert as_found(folder) == {"dome": True, "hall": True}
