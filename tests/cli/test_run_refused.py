"""A run that cannot be written is refused before any host is contacted, in words, not with a traceback."""

from __future__ import annotations

import subprocess
from pathlib import Path

from tests.spine.bench import LINKTRIAL, plan_text


def test_an_output_folder_that_cannot_be_made_is_refused(tmp_path: Path):
    plan, file = tmp_path / "plan.yaml", tmp_path / "file"
    plan.write_text(plan_text())
    file.write_text("no folder")
    done = subprocess.run(
        [*LINKTRIAL, "run", str(plan), "--out", str(file / "runs")],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 3
    assert "cannot write" in done.stderr
    assert "--out" in done.stderr
    assert "Traceback" not in done.stderr
