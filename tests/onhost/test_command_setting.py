"""The plan's own settings: programs without a shell, bounded, restored by the same argument lists."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from orchestrator.act.actions import CHANGE_TIMEOUT_S
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.settings import CATALOGUE, programs
from orchestrator.onhost.settings.command import _MOST_WAIT_S, _TIMEOUT_S
from orchestrator.onhost.settings.programs import MOST_OUTPUT_BYTES, run_program

COMMAND = CATALOGUE["command"]
SET = "import sys; open(sys.argv[1], 'w').write(sys.argv[2])"


def level_of(file: Path, level: Any, **more: Any) -> dict[str, Any]:
    write = [sys.executable, "-c", SET, str(file), "{level}"]
    return {"read": ["cat", str(file)], "write": write, "level": level, **more}


def test_a_value_is_written_read_back_and_restored(tmp_path: Path) -> None:
    file = tmp_path / "dial"
    file.write_text("slow\n")
    level = level_of(file, "fast")
    before = COMMAND.read("tuning", level)
    assert COMMAND.check("tuning", level) == ""
    COMMAND.apply("tuning", level)
    assert file.read_text() == "fast"
    assert COMMAND.verify("tuning", level) == {"ok": True, "seen": "fast", "why": ""}
    COMMAND.restore("tuning", before)
    assert file.read_text() == "slow"
    assert COMMAND.same(before, COMMAND.read("tuning", level))


@pytest.mark.parametrize(
    "hostile",
    [
        "; touch hit",
        "$(touch hit)",
        "`touch hit`",
        "a && touch hit",
        "|touch hit",
        "*",
        "~",
        "${HOME}",
        "--help",
        "'",
        '"',
        "{level}",
        "%s",
    ],
)
def test_no_value_ever_meets_a_shell(tmp_path: Path, hostile: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    file = tmp_path / "dial"
    file.write_text("slow")
    COMMAND.apply("tuning", level_of(file, hostile))
    assert file.read_text() == hostile
    assert not (tmp_path / "hit").exists()


def test_a_check_of_ones_own_decides_whether_the_level_holds(tmp_path: Path) -> None:
    file = tmp_path / "dial"
    file.write_text("speed: slow (of slow, fast)")
    check = [
        sys.executable,
        "-c",
        f"import sys; sys.exit(sys.argv[1] not in open({str(file)!r}).read().split('(')[0])",
        "{level}",
    ]
    level = {**level_of(file, "fast"), "check": check}
    assert not COMMAND.verify("tuning", level)["ok"]
    COMMAND.apply("tuning", level)
    assert COMMAND.verify("tuning", level)["ok"]
    assert COMMAND.verify("tuning", {**level, "level": "slow"})["seen"] == "fast"


def test_a_program_that_fails_is_reported_with_what_it_said(tmp_path: Path) -> None:
    file = tmp_path / "dial"
    file.write_text("slow")
    level = level_of(file, "fast")
    level["write"] = [sys.executable, "-c", "import sys; sys.exit('the dial is stuck')", "{level}"]
    with pytest.raises(Refusal, match="status 1: the dial is stuck") as refused:
        COMMAND.apply("tuning", level)
    assert refused.value.code == "failed"


def test_a_program_that_is_not_there_makes_the_level_impossible(tmp_path: Path) -> None:
    level = {"read": ["no-such-program"], "write": ["no-such-program", "{level}"], "level": "x"}
    assert COMMAND.check("tuning", level) == "this host has no program no-such-program"
    assert COMMAND.read("tuning", level) is None


def test_the_wait_passes_before_the_value_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "dial"
    file.write_text("slow")
    waited: list[tuple[float, str]] = []
    patient = SimpleNamespace(sleep=lambda seconds: waited.append((seconds, file.read_text())))
    monkeypatch.setattr("orchestrator.onhost.settings.command.time", patient)
    level = level_of(file, "fast", wait_s=15)
    before = COMMAND.read("tuning", level)
    COMMAND.apply("tuning", level)
    COMMAND.restore("tuning", before)
    assert waited == [(15, "fast"), (15, "slow")]


def test_a_program_that_does_not_end_is_ended_with_all_that_it_started(tmp_path: Path) -> None:
    child = tmp_path / "child"
    script = (
        "import subprocess,sys,time; p=subprocess.Popen(['sleep','600']); "
        f"open({str(child)!r},'w').write(str(p.pid)); time.sleep(600)"
    )
    outcome = run_program([sys.executable, "-c", script], 2.0)
    assert outcome.too_late
    pid = int(child.read_text())
    until = time.monotonic() + 10
    while Path(f"/proc/{pid}/stat").exists() and time.monotonic() < until:
        if Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z":
            break  # killed; whoever adopted it has not looked yet
        time.sleep(0.01)
    else:
        assert not Path(f"/proc/{pid}/stat").exists()


def test_a_program_that_closes_its_outputs_and_stays_is_ended_too() -> None:
    outcome = run_program([sys.executable, "-c", "import os,time; os.close(1); os.close(2); time.sleep(600)"], 1.0)
    assert outcome.too_late


def test_a_program_that_never_stops_talking_is_ended() -> None:
    outcome = run_program(["yes"], 20.0)
    assert outcome.too_much
    assert len(outcome.output) == MOST_OUTPUT_BYTES


def test_programs_get_a_fixed_environment_and_no_input(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LD_PRELOAD", "")
    monkeypatch.setenv("SECRET", "x")
    script = "import os,sys; print(sorted(os.environ), sys.stdin.read(), os.getcwd())"
    outcome = run_program([sys.executable, "-c", script], 20.0)
    assert "SECRET" not in outcome.output
    assert "LD_PRELOAD" not in outcome.output
    assert outcome.output.strip().endswith("/")


def test_there_is_no_shell_in_the_room_of_programs() -> None:
    source = Path(programs.__file__).read_text()
    assert "shell=" not in source
    assert "os.system" not in source


def test_a_wait_longer_than_a_change_may_take_is_refused_with_what_to_do_instead(tmp_path: Path) -> None:
    assert COMMAND.problem_with(level_of(tmp_path / "dial", "fast", wait_s=20)) == ""
    assert "settle" in COMMAND.problem_with(level_of(tmp_path / "dial", "fast", wait_s=21))
    assert _MOST_WAIT_S + _TIMEOUT_S < CHANGE_TIMEOUT_S, "the wait and a slow program fit what the controller waits"
