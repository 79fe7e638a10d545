"""What a lease is during traffic and slow changes: renewed without waiting, and the end of all sending."""

from __future__ import annotations

import os
import signal
import socket
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import holding, renewed, watchdog
from orchestrator.onhost.safety.record import Record, boottime_ns
from orchestrator.onhost.system.process import children_named
from tests.onhost.helper_process import HelperProcess, Refused
from tests.onhost.test_messages import TRAFFIC

LEASE_S = 2.0
ROOM_S = 5.0  # for a busy test machine; the connecting that is cut short here would go on for 15 s
WANTED = {"run_id": "r1", "holder": "ann", "lease_s": LEASE_S}


def serving() -> dict[str, Any]:
    """A serving end that waits for a peer who never comes."""
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    return {**TRAFFIC, "interface": "lo", "local": "127.0.0.1", "peer": "127.0.0.1", "ports": [port, port + 1]}


def eventually(holds: Callable[[], bool], timeout_s: float) -> bool:
    until = time.monotonic() + timeout_s
    while not (held := holds()) and time.monotonic() < until:
        time.sleep(0.02)
    return held


def test_a_helper_whose_controller_is_silent_ends_its_traffic_with_the_lease(tmp_path: Path) -> None:
    with HelperProcess(tmp_path) as helper:
        helper.ask("lease.acquire", WANTED)
        began = time.monotonic()
        with pytest.raises(Refused, match="expired"):
            helper.answer(helper.begin("traffic.serve", serving(), timeout_s=600.0))
        assert LEASE_S * 0.8 < time.monotonic() - began < LEASE_S + ROOM_S


def test_the_watchdog_ends_the_traffic_of_a_helper_that_hangs(tmp_path: Path) -> None:
    with HelperProcess(tmp_path) as helper:
        helper.ask("lease.acquire", WANTED)
        helper.begin("traffic.serve", serving(), timeout_s=600.0)
        pid = helper.hello["pid"]
        assert eventually(lambda: bool(children_named(pid, watchdog.TRAFFIC_NAME)), ROOM_S)
        os.kill(pid, signal.SIGSTOP)
        try:
            assert eventually(lambda: not children_named(pid, watchdog.TRAFFIC_NAME), LEASE_S + ROOM_S)
        finally:
            os.kill(pid, signal.SIGCONT)


def test_traffic_goes_on_as_long_as_the_lease_is_renewed(tmp_path: Path) -> None:
    with HelperProcess(tmp_path) as helper:
        token = helper.ask("lease.acquire", WANTED)["token"]
        number = helper.begin("traffic.serve", serving(), timeout_s=600.0)
        until = time.monotonic() + 1.5 * LEASE_S
        while time.monotonic() < until:
            helper.ask("lease.renew", {"token": token, "lease_s": LEASE_S})
            time.sleep(LEASE_S / 8)
        helper.write({"id": number, "cancel": True})
        with pytest.raises(Refused, match="cancelled"):
            helper.answer(number)


def test_a_session_that_another_has_replaced_sends_nothing_any_more(tmp_path: Path) -> None:
    with HelperProcess(tmp_path) as old, HelperProcess(tmp_path) as new:
        wanted = {**WANTED, "lease_s": 60.0}
        token = old.ask("lease.acquire", wanted)["token"]
        number = old.begin("traffic.serve", serving(), timeout_s=600.0)
        new.ask("lease.acquire", {**wanted, "token": token})
        with pytest.raises(Refused, match="expired"):
            old.answer(number, patience_s=ROOM_S)


def test_a_renewal_does_not_wait_for_a_change_that_holds_the_hosts_lock(tmp_path: Path) -> None:
    """A link that takes longer to come back than the lease lasts must not end the lease of a controller that lives."""
    with HelperProcess(tmp_path) as helper:
        token = helper.ask("lease.acquire", WANTED)["token"]
        with Record(str(tmp_path / "linktrial")).locked():
            until = time.monotonic() + 1.5 * LEASE_S
            while time.monotonic() < until:
                assert helper.ask("lease.renew", {"token": token, "lease_s": LEASE_S})["left_s"] > LEASE_S * 0.9
                time.sleep(LEASE_S / 8)
        assert helper.ask("watchdog")["record"]["standing"] == "held"


def test_a_lease_that_the_watchdog_has_found_over_is_not_renewed_any_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exactly one of the two wins, also where the renewal has looked at the clock first."""
    record = Record(str(tmp_path / "linktrial"))
    monkeypatch.setattr(watchdog, "start", lambda host: {})
    monkeypatch.setattr(watchdog, "alive", lambda state: True)
    token = holding.acquire(record, dict(WANTED))["token"]
    late = boottime_ns() + int(2 * LEASE_S * 1e9)
    monkeypatch.setattr(watchdog, "boottime_ns", lambda: late)
    state = record.load()
    assert state is not None
    assert watchdog._closed(record, state)
    with pytest.raises(Refusal, match="run out"):
        holding.renew(record, token, LEASE_S)


def test_a_torn_note_of_a_renewal_is_taken_for_none(tmp_path: Path) -> None:
    with renewed.locked(str(tmp_path)) as note:
        renewed.write(note, renewed.Renewal(7, 8, True, False, 9, 10))
    assert renewed.read(str(tmp_path)) == renewed.Renewal(7, 8, True, False, 9, 10)
    file = tmp_path / renewed.FILE
    file.write_bytes(file.read_bytes().replace(b"7", b"6", 1))
    assert renewed.read(str(tmp_path)) is None
