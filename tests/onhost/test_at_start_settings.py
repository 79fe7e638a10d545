"""Settings that take a restart: written for one start, in effect after it, and taken back by that start itself."""

from __future__ import annotations

import base64
import json
from pathlib import Path
from typing import Any

import pytest

from orchestrator.onhost.at_start import restart
from orchestrator.onhost.at_start.managed_lines import BLOCK, WORDS, cannot_have_words, with_lines
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.settings import catalogue
from orchestrator.onhost.settings.kernel import Outcome
from tests.testing.fake_host import fake_host
from tests.testing.fake_kernel import CHOICE_ONCE, FakeKernel

FILE = "/boot/parameters"
OFF = {"file": FILE, "level": ["mitigations=off", "isolcpus=3"]}
NONE: dict[str, Any] = {"file": FILE, "level": []}
NEW = {"file": CHOICE_ONCE, "level": "6.12.9-dome"}


@pytest.fixture
def host() -> FakeKernel:
    return fake_host()


def test_lines_are_in_effect_after_one_start_and_the_file_is_as_found_by_then(host: FakeKernel) -> None:
    lines, original = catalogue(host)["boot-lines"], host.boot.text(FILE)
    before = json.loads(json.dumps(lines.read("", OFF)))
    lines.apply("", OFF)
    assert "mitigations=off\nisolcpus=3\n" in host.boot.text(FILE)
    assert host.boot.text(FILE).startswith(original)
    assert FILE in host.boot.armed  # before anything was written, the next start was told to restore it
    assert lines.holds_ours("", OFF)
    assert not lines.verify("", OFF)["ok"]
    host.start()
    assert host.boot.text(FILE) == original
    assert lines.verify("", OFF) == {"ok": True, "seen": OFF["level"], "why": ""}
    assert lines.same(before, lines.read("", OFF))
    assert lines.restart_due(before, lines.read("", OFF))  # the file is as found, the running system is not
    host.start()
    assert not lines.restart_due(before, lines.read("", OFF))
    assert lines.verify("", NONE)["ok"]


def test_the_level_without_lines_is_in_effect_as_found_and_after_others_takes_a_plain_restart(host: FakeKernel) -> None:
    lines = catalogue(host)["boot-lines"]
    lines.apply("", NONE)
    assert lines.verify("", NONE)["ok"]
    lines.apply("", OFF)
    host.start()
    lines.apply("", NONE)
    assert not host.boot.armed
    assert not lines.verify("", NONE)["ok"]
    host.start()
    assert lines.verify("", NONE)["ok"]


def test_a_level_written_over_another_begins_with_the_file_as_found(host: FakeKernel) -> None:
    lines, original = catalogue(host)["boot-lines"], host.boot.text(FILE)
    lines.apply("", OFF)
    lines.apply("", {"file": FILE, "level": ["quiet"]})
    assert "mitigations" not in host.boot.text(FILE)
    host.start()
    assert host.boot.text(FILE) == original


def test_what_is_written_and_never_started_is_restored_with_the_next_start_disarmed(host: FakeKernel) -> None:
    lines, as_found = catalogue(host)["boot-lines"], dict(host.boot.files)
    before = lines.read("", OFF)
    lines.apply("", OFF)
    lines.restore("", before)
    assert host.boot.files == as_found
    assert not host.boot.armed
    assert not lines.restart_due(before, lines.read("", OFF))


def test_a_level_in_effect_is_written_again_when_the_next_start_is_to_have_it_too(host: FakeKernel) -> None:
    lines, original = catalogue(host)["boot-lines"], host.boot.text(FILE)
    lines.apply("", OFF)
    host.start()
    assert lines.write_for_next_start("", OFF) == {
        "ok": True,
        "seen": "written, in effect after a restart",
        "why": "",
        "restart": True,
    }
    assert "mitigations=off" in host.boot.text(FILE)
    host.start()
    assert lines.verify("", OFF)["ok"]
    assert host.boot.text(FILE) == original
    assert lines.write_for_next_start("", NONE)["ok"]
    assert not host.boot.armed  # the file as found is what the next start is to find


def test_a_level_that_is_in_effect_leaves_nothing_written_for_the_next_start(host: FakeKernel) -> None:
    lines, original = catalogue(host)["boot-lines"], host.boot.text(FILE)
    lines.apply("", OFF)
    host.start()
    lines.apply("", {"file": FILE, "level": ["quiet"]})  # written, and then not wanted any more
    lines.apply("", OFF)
    assert host.boot.text(FILE) == original
    assert not host.boot.armed


MINE = "first=1\nmine=1\n"


@pytest.mark.parametrize("level", [{"file": FILE, "level": ["quiet"]}, NONE])
def test_a_file_that_somebody_else_changed_after_us_is_not_written_over(host: FakeKernel, level: Any) -> None:
    lines = catalogue(host)["boot-lines"]
    before = lines.read("", OFF)
    lines.apply("", OFF)
    host.boot.put(FILE, MINE)
    assert not lines.holds_ours("", OFF)
    assert not lines.holds_ours("", NONE)
    for step in (lambda: lines.write_for_next_start("", level), lambda: lines.restore("", before)):
        with pytest.raises(Refusal, match="somebody else"):
            step()
    host.start()
    assert host.boot.text(FILE) == MINE


def test_what_somebody_else_wrote_after_the_start_is_not_ours_whatever_the_levels(host: FakeKernel) -> None:
    lines = catalogue(host)["boot-lines"]
    before = lines.read("", OFF)
    lines.apply("", OFF)
    host.start()
    host.boot.put(FILE, MINE)
    assert not any(lines.holds_ours("", level) for level in (OFF, NONE))  # without lines any file would be
    with pytest.raises(Refusal, match="somebody else"):
        lines.restore("", before)
    assert host.boot.text(FILE) == MINE


def test_what_the_boot_loader_notes_for_itself_is_no_change_of_the_kernel_that_it_starts(host: FakeKernel) -> None:
    kernel, path = catalogue(host)["kernel"], "/boot/grub/grubenv"

    def block(text: str) -> Any:
        return {
            "path": path,
            "started": "6.1.0-dome",
            "file": {
                "content": base64.b64encode(f"# GRUB Environment Block\n{text}".encode().ljust(1024, b"#")).decode()
            },
        }

    assert kernel.same(block(""), block("next_entry=\nrecordfail=1\n"))
    assert not kernel.same(block(""), block("next_entry=other\n"))


def test_a_run_that_begins_in_the_start_of_an_earlier_ones_trial_waits_for_no_start_that_cannot_come(
    host: FakeKernel,
) -> None:
    lines = catalogue(host)["boot-lines"]
    lines.apply("", OFF)
    host.start()  # whoever wrote that died meanwhile
    before = json.loads(json.dumps(lines.read("", OFF)))
    assert not lines.restart_due(before, lines.read("", OFF))
    lines.apply("", {"file": FILE, "level": ["quiet"]})
    host.start()
    assert lines.restart_due(before, lines.read("", OFF))
    host.start()
    assert not lines.restart_due(before, lines.read("", OFF))


def test_a_command_begun_in_an_earlier_trials_start_is_as_found_after_a_plain_one(host: FakeKernel) -> None:
    command, trial, plain = catalogue(host)["command"], {"started": True}, {"started": False}
    assert [command.restart_due(*pair) for pair in ((plain, trial), (trial, plain), (trial, trial))] == [
        True,
        False,
        False,
    ]


def test_a_container_with_the_machines_own_network_is_not_restarted(
    host: FakeKernel, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "pid").write_text("another namespace")
    monkeypatch.setattr(restart, "_PID_NAMESPACE", str(tmp_path / "pid"))
    assert "container" in restart.cannot_restart(host)


def test_lines_that_the_kernel_did_not_take_are_not_called_in_effect(host: FakeKernel) -> None:
    lines, level = catalogue(host)["boot-lines"], {**OFF, "effect": "command-line"}
    lines.apply("", level)
    host.start()
    host.files["/proc/cmdline"] = "root=/dev/dome isolcpus=3"
    assert not lines.verify("", level)["ok"]
    host.files["/proc/cmdline"] = "root=/dev/dome isolcpus=3 mitigations=off"
    assert lines.verify("", level)["ok"]


def test_a_check_of_the_plan_decides_whether_lines_are_in_effect(host: FakeKernel) -> None:
    lines, level = catalogue(host)["boot-lines"], {**OFF, "check": ["dial-is", "{level}"]}
    asked: list[list[str]] = []
    status = 1

    def check(arguments: list[str]) -> Outcome:
        asked.append(arguments)
        return Outcome(status, "", "", False, False)

    host.programs["dial-is"] = check
    lines.apply("", level)
    host.start()
    assert not lines.verify("", level)["ok"]
    status = 0
    assert lines.verify("", level)["ok"]
    assert asked[-1] == ["dial-is", "mitigations=off isolcpus=3"]


@pytest.mark.parametrize(
    ("original", "form", "expected"),
    [
        (b"a=1\n", BLOCK, b"a=1\n# linktrial: lines of a trial, for one start only\nx\n# linktrial: end\n"),
        (b"a=1", BLOCK, b"a=1\n# linktrial: lines of a trial, for one start only\nx\n# linktrial: end\n"),
        (b"", BLOCK, b"# linktrial: lines of a trial, for one start only\nx\n# linktrial: end\n"),
        (b"root=/dev/dome quiet\n", WORDS, b"root=/dev/dome quiet x\n"),
        (b"", WORDS, b"x\n"),
    ],
)
def test_lines_come_after_what_is_there(original: bytes, form: str, expected: bytes) -> None:
    assert with_lines(original, ["x"], form) == expected
    assert with_lines(original, [], form) == original


def test_words_are_not_added_to_a_file_of_several_lines_or_to_a_comment(host: FakeKernel) -> None:
    assert "2 lines" in cannot_have_words(b"a\nb\n")
    assert "comment" in cannot_have_words(b"# a\n")
    assert cannot_have_words(b"a b c\n\n") == ""
    host.boot.put(FILE, "a\nb\n")
    level = {**OFF, "form": WORDS}
    assert "2 lines" in catalogue(host)["boot-lines"].check("", level)
    with pytest.raises(Refusal):
        catalogue(host)["boot-lines"].apply("", level)
    assert host.boot.text(FILE) == "a\nb\n"


def test_a_host_on_which_nobody_would_take_it_back_is_refused_before_a_byte_is_written(host: FakeKernel) -> None:
    host.boot.way = ""
    for name, level in (("boot-lines", OFF), ("kernel", NEW)):
        assert "nobody would take a boot change back" in catalogue(host)[name].check("", level)
        with pytest.raises(Refusal):
            catalogue(host)[name].apply("", level)
    assert host.boot.text(FILE) == "first=1\n"


@pytest.mark.parametrize(
    "path",
    [
        "boot/config",
        "/boot/../etc/passwd",
        "/boot/",
        "/proc/cmdline",
        "/run/x",
        "/boot/a b",
        "/boot/x\n",
        7,
        None,
        "/" + "a" * 300,
    ],
)
def test_only_a_whole_plain_path_that_outlasts_a_restart_is_a_boot_file(host: FakeKernel, path: Any) -> None:
    assert catalogue(host)["boot-lines"].problem_with({"file": path, "level": []})


@pytest.mark.parametrize("lines", ["x", ["a\nb"], [""], [" a"], ["é"], [3], [["a"]], ["a"] * 33, ["a" * 301], None])
def test_lines_are_plain_lines(host: FakeKernel, lines: Any) -> None:
    assert catalogue(host)["boot-lines"].problem_with({"file": FILE, "level": lines})


def test_a_kernel_is_chosen_once_runs_and_is_gone_with_the_next_start(host: FakeKernel) -> None:
    kernel = catalogue(host)["kernel"]
    before = kernel.read("", NEW)
    assert before["file"] is None
    kernel.apply("", NEW)
    assert host.boot.text(CHOICE_ONCE) == "6.12.9-dome\n"
    assert not kernel.verify("", NEW)["ok"]
    host.start()
    assert kernel.verify("", NEW) == {"ok": True, "seen": "6.12.9-dome", "why": ""}
    assert CHOICE_ONCE not in host.boot.files
    assert kernel.restart_due(before, kernel.read("", NEW))
    kernel.restore("", before)
    host.start()
    assert host.release() == "6.1.0-dome"
    assert not kernel.restart_due(before, kernel.read("", NEW))


def test_a_kernel_that_is_not_installed_is_refused_with_those_that_are(host: FakeKernel) -> None:
    why = catalogue(host)["kernel"].check("", {**NEW, "level": "6.99.0-dome"})
    assert "6.99.0-dome" in why
    assert "6.1.0-dome, 6.12.9-dome" in why


def test_a_kernel_without_a_file_needs_a_boot_loader_that_can_choose_once(host: FakeKernel) -> None:
    assert "GRUB" in catalogue(host)["kernel"].check("", "6.12.9-dome")


def test_a_command_with_a_restart_is_undone_by_the_start_and_judged_by_its_check(host: FakeKernel) -> None:
    held = {"next": "slow", "now": "slow"}

    def board(arguments: list[str]) -> Outcome:
        if arguments[1] == "set":
            held["next"] = arguments[2]
        if arguments[1] == "is":
            return Outcome(int(held["now"] != arguments[2]), "", "", False, False)
        return Outcome(0, held["next"] + "\n", "", False, False)

    host.programs["board"] = board
    fast = {
        "read": ["board", "get"],
        "write": ["board", "set", "{level}"],
        "check": ["board", "is", "{level}"],
        "level": "fast",
        "reboot": True,
    }
    command = catalogue(host)["command"]
    before = command.read("tuning", fast)
    command.apply("tuning", fast)
    assert held == {"next": "fast", "now": "slow"}
    assert not command.verify("tuning", fast)["ok"]
    assert host.boot.commands == {"tuning": ["board", "set", "slow"]}
    held["now"] = held["next"]
    host.start()
    assert held == {"next": "slow", "now": "fast"}
    assert command.verify("tuning", fast)["ok"]
    assert command.same(before, command.read("tuning", fast))
    assert command.restart_due(before, command.read("tuning", fast))
    assert "check says whether" in command.problem_with({**fast, "check": []})
