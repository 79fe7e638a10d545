"""An unexpected error at the command line: exit code 4, one sentence, the traceback in a file, other hosts told of."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from orchestrator.act import session as sessions
from orchestrator.act.signals import Signals
from orchestrator.act.surveying import Surveyed
from orchestrator.cli import check, main, recover, running, survey
from orchestrator.cli.access import Access
from orchestrator.cli.plans import load_plans
from orchestrator.cli.progress import Progress
from orchestrator.faults import BugError, as_fault
from orchestrator.onhost.survey import read_survey
from orchestrator.words.exit_codes import Exit
from tests.sim.sim import make_setup
from tests.spine.bench import plan_text


@pytest.fixture(autouse=True)
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where tracebacks are kept."""
    folder = tmp_path / "kept"
    folder.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(folder))
    return folder


class Answering:
    """A session to a host that answers what it is told to; {} for anything else."""

    def __init__(self, answers: dict[str, Any]) -> None:
        self.answers = answers

    async def request(self, verb: str, args: Any = None, timeout_s: float = 10.0) -> dict[str, Any]:
        return dict(self.answers.get(verb, {}))

    async def close(self) -> None:
        """Nothing is open."""


def names_where_the_traceback_is(said: str, kept: Path) -> None:
    assert "Traceback" not in said
    [path] = re.findall(r"report it with (\S+), which has the traceback", said)
    assert Path(path).parent == kept
    assert "Traceback" in Path(path).read_text()
    assert Path(path).stat().st_mode & 0o077 == 0


def test_an_unexpected_error_of_any_command_is_exit_code_4(
    kept: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    def broken(*_: object, **__: object) -> None:
        raise KeyError("no such \x1b[2J key")

    monkeypatch.setattr(check, "load_plans", broken)
    monkeypatch.setattr(sys, "argv", ["linktrial", "check", "plan.yaml"])
    with pytest.raises(SystemExit) as ended:
        main.main()
    assert ended.value.code == Exit.OUR_FAULT
    said = capsys.readouterr().err
    assert said.startswith("linktrial: our own fault: KeyError: ")
    assert "\x1b" not in said
    names_where_the_traceback_is(said, kept)


def test_a_survey_tells_of_the_other_hosts_when_one_answers_nothing(kept: Path, monkeypatch: pytest.MonkeyPatch):
    whole = read_survey()

    async def connect(address: Any, **_: Any) -> Answering:
        return Answering({} if address.name == "dome" else {"survey": whole, "clock": {"wall_ns": 10**18}})

    monkeypatch.setattr(sessions, "connect", connect)
    done = CliRunner(catch_exceptions=False).invoke(survey.command, ["dome", "hall"], standalone_mode=False)
    assert done.return_value == Exit.OUR_FAULT
    assert "hall" in done.stdout
    assert "linktrial: dome: our own fault: KeyError" in done.stderr
    names_where_the_traceback_is(done.stderr, kept)


def test_an_error_of_ours_while_a_survey_closes_is_told(kept: Path, monkeypatch: pytest.MonkeyPatch):
    class Closing(Answering):
        async def close(self) -> None:
            raise KeyError("ours")

    async def connect(address: Any, **_: Any) -> Answering:
        return Closing({"survey": read_survey(), "clock": {"wall_ns": 10**18}})

    monkeypatch.setattr(sessions, "connect", connect)
    done = CliRunner(catch_exceptions=False).invoke(survey.command, ["dome"], standalone_mode=False)
    assert done.return_value == Exit.OUR_FAULT
    assert "linktrial: dome: our own fault: KeyError" in done.stderr
    names_where_the_traceback_is(done.stderr, kept)


def test_an_error_of_ours_while_a_survey_looks_at_the_wiring_is_told(kept: Path, monkeypatch: pytest.MonkeyPatch):
    found = Surveyed()
    try:
        raise KeyError("ours")
    except KeyError as error:
        found.wiring_fault = as_fault(error)
    monkeypatch.setattr(survey, "_survey_named", lambda *_: found)
    done = CliRunner(catch_exceptions=False).invoke(survey.command, ["dome"], standalone_mode=False)
    assert done.return_value == Exit.OUR_FAULT
    assert "linktrial: the wiring: our own fault: KeyError" in done.stderr
    names_where_the_traceback_is(done.stderr, kept)


def test_recover_tells_of_the_other_hosts_when_one_answers_nothing(
    kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    plan = tmp_path / "plan.yaml"
    plan.write_text(plan_text())
    [loaded] = load_plans([plan], {})
    first, second = loaded.plan.hosts

    def opener(*_: object) -> Any:
        async def connect(name: str) -> Answering:
            return Answering({} if name == first else {"recover": {"found": None}})

        return connect

    monkeypatch.setattr(recover, "opener", opener)
    code = recover.recover_all([recover.Target(loaded, None)], plan, Access(None))
    said = capsys.readouterr()
    assert code == Exit.NOT_AS_FOUND, "nobody knows what the first host is"
    assert f"{second}: as found" in said.out
    assert f"{first}: NOT verified as found: our own fault: KeyError" in said.out
    names_where_the_traceback_is(said.err, kept)


def test_an_error_while_the_report_is_made_ends_with_exit_code_4_and_the_command_to_make_it_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    from orchestrator.decide.state import begin

    def broken(folder: Path) -> None:
        raise ZeroDivisionError("no mean")

    monkeypatch.setattr(running, "finish_folder", broken)
    state = begin(make_setup(3))
    state.outcomes[1] = {"status": "valid", "doubts": [], "reason": "", "attempt": 1}
    progress = Progress(tmp_path / "log.txt")
    with Signals() as heard:
        code = running._finish(0, state, tmp_path, progress, heard, lambda ended_at: None)
    assert code == Exit.OUR_FAULT
    progress.close()
    said = capsys.readouterr().err
    assert "ZeroDivisionError: no mean" in said
    assert f"linktrial report {tmp_path}" in said
    assert "Traceback" not in said
    assert "Traceback" in (tmp_path / "log.txt").read_text()


def test_the_log_has_the_hosts_own_traceback(tmp_path: Path):
    error = BugError("helper", "apply on dome: KeyError: 'x'", trace="Traceback (there):\n  line \x1b[31m7")
    progress = Progress(tmp_path / "log.txt")
    progress.trace(error)
    progress.close()
    text = (tmp_path / "log.txt").read_text()
    lines = [line.split(" ", 1)[1] for line in text.splitlines()]
    assert [line for line in lines if not line.startswith("error   ")] == []
    said = "\n".join(line.removeprefix("error   ") for line in lines)
    assert "on the host:\nTraceback (there):\n  line " in said
    assert "\x1b" not in text
