"""The helper's loop: many requests at once, every one bounded, nothing left when it ends."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from orchestrator.onhost.service import messages
from orchestrator.onhost.service.frames import FrameError, encode
from orchestrator.onhost.system.process import started_ticks
from tests.onhost.helper_process import HelperProcess, Refused, file_setting

PYTHON_38 = Path("/root/.pyenv/versions/3.8.18/bin/python")
HOSTILE = [
    f"{before}{core}{after}"
    for before in ("", "x", "-", "\n", "a;")
    for after in ("", " ", "\u2028")
    for core in (
        "$(touch /tmp/owned)",
        "`id`",
        "; rm -rf /",
        "' or '1",
        '"',
        "\\",
        "|cat",
        "&&",
        "\x00",
        "\x1b[2J",
        "*",
        "../../etc/passwd",
        "{level}",
        "%s%n",
    )
]


@pytest.fixture
def helper(tmp_path: Path) -> Iterator[HelperProcess]:
    with HelperProcess(tmp_path) as started:
        yield started


def _sleeper(place: dict[str, object], seconds: float) -> dict[str, object]:
    return {**place, "level": {**place["level"], "read": ["sleep", str(seconds)]}}


def test_the_start_marker_comes_before_anything_is_sent(helper: HelperProcess) -> None:
    assert helper.marker.split()[2] == "-", "no module is missing here"
    assert helper.hello["verbs"] == sorted(messages.VERBS)


def test_the_clock_is_this_hosts(helper: HelperProcess) -> None:
    before = time.monotonic_ns()
    clock = helper.ask("clock")
    assert before <= clock["monotonic_ns"] <= time.monotonic_ns()


def test_a_job_does_not_hold_up_the_next_request(helper: HelperProcess, tmp_path: Path) -> None:
    _, place = file_setting(tmp_path)
    slow = helper.begin("read", {"places": [_sleeper(place, 30)]})
    helper.ask("clock")
    helper.write({"id": slow, "cancel": True})
    with pytest.raises(Refused) as refused:
        helper.answer(slow)
    assert refused.value.code == "cancelled"


def test_a_job_that_takes_too_long_is_ended_and_said(helper: HelperProcess, tmp_path: Path) -> None:
    _, place = file_setting(tmp_path)
    with pytest.raises(Refused) as refused:
        helper.ask("read", {"places": [_sleeper(place, 31)]}, timeout_s=0.3)
    assert refused.value.code == "timeout"
    assert _eventually(lambda: not _processes_with("sleep 31"))


@pytest.mark.parametrize("end", ["hang up", "kill"])
def test_nothing_of_a_job_outlives_the_helper(end: str, helper: HelperProcess, tmp_path: Path) -> None:
    _, place = file_setting(tmp_path)
    helper.begin("read", {"places": [_sleeper(place, 32)]})
    assert _eventually(lambda: bool(_processes_with("sleep 32"))), "the job has not started"
    job = _parents(_processes_with("sleep 32")[0])
    if end == "kill":
        helper.kill()
    else:
        helper.stdin.close()
        helper.process.wait(20)
    assert _eventually(lambda: not any(started_ticks(pid) for pid in job))


def test_many_jobs_at_once_are_bounded(helper: HelperProcess, tmp_path: Path) -> None:
    _, place = file_setting(tmp_path)
    numbers = [helper.begin("read", {"places": [_sleeper(place, 33)]}) for _ in range(40)]
    refusals = [helper.next_message()["error"]["code"] for _ in range(8)]
    assert refusals == ["too_many"] * 8
    assert len(numbers) == 40


def test_a_stray_print_does_not_reach_the_stream(helper: HelperProcess) -> None:
    """The program's own standard output is not the channel."""
    files = Path(f"/proc/{helper.hello['pid']}/fd")
    assert (files / "1").readlink() == (files / "2").readlink()


@pytest.mark.parametrize("garbage", [b"GET / HTTP/1.1\r\n\r\n", b"\x00" * 64, b"\xff" * 12])
def test_damaged_input_ends_the_session_instead_of_guessing(garbage: bytes, helper: HelperProcess) -> None:
    helper.stdin.write(garbage)
    with pytest.raises(EOFError):
        helper.next_message()
    assert helper.process.returncode == 3


def test_a_number_that_is_in_use_is_refused(helper: HelperProcess, tmp_path: Path) -> None:
    _, place = file_setting(tmp_path)
    slow = helper.begin("read", {"places": [_sleeper(place, 30)]})
    helper.write({"id": slow, "verb": "facts", "args": {}, "timeout_s": 5})
    assert helper.next_message()["error"]["code"] == "repeated"


def test_hostile_values_arrive_as_data(helper: HelperProcess, tmp_path: Path) -> None:
    """Each is written into a file by the plan's own command and read back; no shell of ours ever sees it."""
    assert len(HOSTILE) > 200
    file, place = file_setting(tmp_path)
    sent = 0
    for value in HOSTILE:
        echo = {"read": ["printf", "%s", value], "write": ["true", "{level}"], "level": "x"}
        places = {"places": [{**place, "level": echo}]}
        if "\x00" in value:  # what no program can be given
            with pytest.raises(Refused, match="bad_request"):
                helper.ask("read", places)
            continue
        (found,) = helper.ask("read", places)["places"]
        sent += 1
        assert found["value"]["value"] == value.strip(), value
    assert sent > 150
    assert not Path("/tmp/owned").exists()
    assert file.read_text() == "old"


@pytest.mark.parametrize("verb", sorted(messages.VERBS))
def test_every_verb_refuses_a_key_too_many(verb: str, helper: HelperProcess) -> None:
    with pytest.raises(Refused) as refused:
        helper.ask(verb, {"surprise": 1})
    assert refused.value.code == "bad_request"


def test_the_helper_runs_on_python_3_8(tmp_path: Path) -> None:
    """Its whole conversation: facts, an image, a lease, a change, restoring."""
    if not PYTHON_38.exists():
        pytest.skip("no Python 3.8 is installed here")
    (tmp_path / "bin").mkdir()
    (tmp_path / "bin" / "python3").symlink_to(PYTHON_38)
    file, place = file_setting(tmp_path)
    with HelperProcess(tmp_path, python=str(tmp_path / "bin")) as helper:
        assert helper.hello["python"].startswith("3.8.")
        assert helper.ask("facts")["python"].startswith("3.8.")
        token = helper.ask("lease.acquire", {"run_id": "r1", "holder": "test", "lease_s": 30})["token"]
        helper.ask("prepare", {"token": token, "interfaces": ["lo"], "places": [place]})
        assert helper.ask("apply", {"token": token, "uses": [place]})["uses"][0]["ok"]
        assert file.read_text() == "new"
        assert helper.ask("restore", {"token": token})["left"] == []
        assert helper.ask("compare", {"token": token})["ok"]
        helper.ask("lease.release", {"token": token})
    assert file.read_text() == "old"


def test_a_message_that_is_too_large_ends_with_a_refusal_or_the_session(helper: HelperProcess) -> None:
    with pytest.raises(FrameError):
        encode({"id": 1, "verb": "facts", "args": {"x": "y" * (5 << 20)}, "timeout_s": 1})
    with pytest.raises(Refused):
        helper.ask("facts", {"x": "y" * (3 << 20)})
    helper.ask("clock")


def _eventually(holds: Callable[[], bool], timeout_s: float = 20.0) -> bool:
    until = time.monotonic() + timeout_s
    while not holds() and time.monotonic() < until:
        time.sleep(0.01)
    return holds()


def _processes_with(words: str) -> list[int]:
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                line = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace").strip()
            except OSError:
                continue
            if line == words:
                found.append(int(entry.name))
    return found


def _parents(pid: int) -> list[int]:
    """The process and its parent."""
    status = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return [pid, int(status[1])]


def test_json_of_the_record_is_what_was_sent(tmp_path: Path) -> None:
    """The place that file_setting makes is itself valid for the closed table."""
    _, place = file_setting(tmp_path)
    assert messages.VERBS["read"]({"places": [json.loads(json.dumps(place))]}) == ""


def test_whatever_a_verb_raises_is_answered_and_told_apart() -> None:
    """A limit of the host's own is no fault of ours, and a fault of ours is no property of the host."""
    import errno

    from orchestrator.onhost.refusal import Refusal, refusal_of

    assert refusal_of(Refusal("busy", "b"), "apply").code == "busy"
    assert refusal_of(MemoryError(), "apply").code == "memory"
    for number in (errno.EAGAIN, errno.ENOMEM, errno.ENFILE, errno.EMFILE):
        assert refusal_of(OSError(number, "limit"), "apply").code == "exhausted"
    for error in (KeyError("x"), OSError(errno.EIO, "disk"), SystemExit(1), KeyboardInterrupt()):
        found = refusal_of(error, "apply")
        assert found.code == "bug"
        assert type(error).__name__ in found.message
