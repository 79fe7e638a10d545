"""`recover` of a run that another process drives: a host called as found would be changed again the next moment."""

from __future__ import annotations

from pathlib import Path

import pytest

from orchestrator.act.journal import Journal
from orchestrator.act.run_folder import journal_path, make_folder
from orchestrator.cli import recover
from orchestrator.cli.access import Access
from orchestrator.cli.plans import load_plans
from orchestrator.faults import HostError
from tests.sim.sim import make_setup
from tests.spine.bench import plan_text


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return make_folder(tmp_path, "r1", plan_text())


class ContactedError(Exception):
    """Some host was asked."""


@pytest.mark.parametrize("driven", [True, False], ids=["while it is driven", "once nobody drives it"])
def test_a_run_that_is_driven_is_not_recovered_beside_its_controller(
    driven: bool, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def contact(*_: object) -> None:
        raise ContactedError

    monkeypatch.setattr(recover, "opener", contact)
    (loaded,) = load_plans([folder], {})
    with Journal(journal_path(folder)) as journal:
        journal.append("setup", make_setup(3).as_dict())
        if driven:
            with pytest.raises(HostError, match="another linktrial is driving this run"):
                recover.recover_all([recover.Target(loaded, folder)], folder, Access(None))
    if not driven:
        code = recover.recover_all([recover.Target(loaded, folder)], folder, Access(None))
        assert code == 5
        assert capsys.readouterr().out.count("our own fault: ContactedError") == len(loaded.plan.hosts)
