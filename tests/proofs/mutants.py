#!/usr/bin/env python3
"""Break the safety code on purpose, one place at a time: the tests must notice every time.

    bash tests/proofs.sh mutants.py [--only WORD] [--list]

Each row is a file, a piece of its text, what to put in its place, and the tests that have to fail. The tree itself is
not touched: the breaking happens in a copy. Exit code 1 when a broken copy passes, or when a row no longer fits.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

CHECKOUT = Path(__file__).resolve().parents[2]
TIMEOUT_S = 300


class Mutant(NamedTuple):
    """One way to break the code."""

    what: str
    file: str
    good: str
    bad: str
    tests: tuple[str, ...]


HOST = "orchestrator/onhost"
CRASH = ("tests/onhost/test_crash_matrix.py",)
LEASE = ("tests/onhost/test_lease.py",)
WATCHDOG = "tests/onhost/test_watchdog.py"
RESTORING = ("tests/onhost/test_restoring.py", "tests/onhost/test_restoring_in_trouble.py")
IN_TRAFFIC = ("tests/onhost/test_lease_in_traffic.py",)
CHANGES = ("tests/onhost/test_changes.py",)
POWER = ("tests/sim/test_power_cycle.py",)
MUTANTS = (
    Mutant(
        "change before the intent is written",
        f"{HOST}/safety/changes.py",
        "            record.save(state)\n            seen = _change(",
        "            seen = _change(",
        CRASH,
    ),
    Mutant("no flush of the record", f"{HOST}/safety/record.py", "            os.fsync(handle.fileno())\n", "", CRASH),
    Mutant(
        "no flush of the record's folder", f"{HOST}/safety/record.py", "            self._sync_directory()\n", "", CRASH
    ),
    Mutant(
        "a write in restoring is not announced",
        f"{HOST}/safety/restoring.py",
        "                save(after)",
        "                pass",
        CRASH,
    ),
    Mutant(
        "the first before-value is overwritten",
        f"{HOST}/safety/changes.py",
        '            if lease.before_of({"before": before}, place) is None:',
        "            before = [one for one in before if lease.place_of(one) != lease.place_of(place)]\n"
        "            if True:",
        (f"{WATCHDOG}::test_the_first_before_value_wins",),
    ),
    Mutant(
        "restored in forward order",
        f"{HOST}/safety/restoring.py",
        "reversed(in_order(",
        "list(in_order(",
        (f"{WATCHDOG}::test_putting_back_goes_in_reverse_and_does_not_stop_at_an_error",),
    ),
    Mutant(
        "restoring stops at the first error",
        f"{HOST}/safety/restoring.py",
        "        if done.stuck:\n",
        "        if done.kind == 'left':\n            break\n        if done.stuck:\n",
        (f"{WATCHDOG}::test_putting_back_goes_in_reverse_and_does_not_stop_at_an_error",),
    ),
    Mutant(
        "what was restored is not read again",
        f"{HOST}/safety/restoring.py",
        '        if setting.same(before["value"], now):\n            return {"kind": "restored"}\n'
        '        return {"kind": "left"',
        '        if True:\n            return {"kind": "restored"}\n        return {"kind": "left"',
        RESTORING,
    ),
    Mutant(
        "somebody else's value is overwritten",
        f"{HOST}/safety/restoring.py",
        "        if _is_ours(setting, change, now):",
        "        if True:",
        RESTORING,
    ),
    Mutant(
        "a value of the new start is overwritten after a restart",
        f"{HOST}/safety/lease.py",
        'unfinished=known["unfinished"])',
        "unfinished=True)",
        RESTORING,
    ),
    Mutant(
        "a host that restored itself cannot be prepared again",
        f"{HOST}/safety/changes.py",
        'if state["image"] is not None and state["changes"]:',
        'if state["changes"]:',
        ("tests/sim/test_event_table.py",),
    ),
    Mutant(
        "a run that dies after its last trial is called finished",
        "orchestrator/cli/one_run.py",
        "not any(host.token or not host.as_found for host in state.hosts.values())",
        "True",
        ("tests/sim/test_scenes.py",),
    ),
    Mutant(
        "a host that can keep no record makes its cells impossible",
        "orchestrator/decide/machine.py",
        '    if event.fault.get("code") in HOST_IS_UNFIT:',
        "    if False:",
        ("tests/sim/test_scenes.py",),
    ),
    Mutant(
        "an unfinished change is called impossible",
        "orchestrator/decide/verdict/judge.py",
        '    if any(use.get("code") in UNFINISHED for _, use in refused):',
        "    if False:",
        ("tests/decide/test_judge.py",),
    ),
    Mutant(
        "whoever comes too late for a record leaves its folder",
        f"{HOST}/safety/record.py",
        "                self._remove_if_empty(lock)\n",
        "",
        ("tests/onhost/test_record.py",),
    ),
    Mutant(
        "a watchdog that nobody let go holds the lock for ever",
        f"{HOST}/safety/watchdog.py",
        "        close_all_but({0, 1, 2, tell, may_go})\n",
        "",
        RESTORING,
    ),
    Mutant(
        "a lock ends with the last child that inherited it",
        f"{HOST}/safety/record.py",
        "                fcntl.flock(lock, fcntl.LOCK_UN)",
        "                #",
        ("tests/onhost/test_record.py",),
    ),
    Mutant(
        "a driver that hangs keeps the lock of whoever is gone",
        f"{HOST}/service/bounded.py",
        "        close_all_but({0, 1, 2, writable})\n",
        "",
        RESTORING,
    ),
    Mutant(
        "recovering gives up at the first change under way",
        "orchestrator/act/recovering.py",
        '            if error.code != "locked":',
        "            if True:",
        ("tests/sim/test_scenes.py",),
    ),
    Mutant(
        "a host that answers is left changed when its watchdog dies",
        "orchestrator/decide/machine.py",
        "        if code != WATCHDOG_DIES:",
        "        if True:",
        ("tests/sim/test_scenes.py",),
    ),
    Mutant(
        "a host's own restoring is taken for a doubt",
        "orchestrator/act/conduct.py",
        "        await self._still_held()  # one that stopped",
        "        # one that stopped",
        ("tests/sim/test_scenes.py",),
    ),
    Mutant(
        "an interrupted change is taken for somebody else's",
        f"{HOST}/safety/restoring.py",
        '    if change["unfinished"] or any(',
        "    if any(",
        RESTORING,
    ),
    Mutant(
        "the token is not looked at",
        f"{HOST}/safety/lease.py",
        '    if token != state["token"]:',
        "    if False:",
        LEASE,
    ),
    Mutant(
        "the deadline is not looked at",
        f"{HOST}/safety/lease.py",
        '    if state["standing"] != "held" or now_ns >= state["deadline_ns"]:',
        '    if state["standing"] != "held":',
        LEASE,
    ),
    Mutant(
        "the deadline is a tick late",
        f"{HOST}/safety/lease.py",
        '    if state["standing"] != "held" or now_ns >= state["deadline_ns"]:',
        '    if state["standing"] != "held" or now_ns > state["deadline_ns"]:',
        LEASE,
    ),
    Mutant(
        "a restart of the host is not noticed",
        f"{HOST}/safety/lease.py",
        '    if state is None or state["boot_id"] != boot:',
        "    if state is None:",
        LEASE,
    ),
    Mutant(
        "re-joining does not raise the token",
        f"{HOST}/safety/lease.py",
        '        "token": max(now_ns // 1000, state["token"] + 1),\n        "superseded": shown,\n',
        '        "superseded": shown,\n',
        LEASE,
    ),
    Mutant(
        "anybody re-joins who knows the run's name",
        f"{HOST}/safety/lease.py",
        ' or shown not in (state["token"], state["superseded"])',
        "",
        LEASE,
    ),
    Mutant(
        "an earlier run's changes stop nobody",
        f"{HOST}/safety/lease.py",
        "        if owes(state, boot, survives):",
        "        if False:",
        LEASE,
    ),
    Mutant(
        "renewing can shorten a lease",
        f"{HOST}/safety/lease.py",
        'max(state["deadline_ns"], now_ns + granted_ns)',
        "now_ns + granted_ns",
        LEASE,
    ),
    Mutant(
        "a renewal grants more than the lease that was taken",
        f"{HOST}/safety/lease.py",
        'int(min(lease_s, state["lease_s"]) * NS)',
        "int(lease_s * NS)",
        LEASE,
    ),
    Mutant(
        "a renewal waits for the host's lock",
        f"{HOST}/safety/holding.py",
        "    with renewed.locked(record.directory) as note:\n        now_ns = boottime_ns()",
        "    with record.locked(), renewed.locked(record.directory) as note:\n        now_ns = boottime_ns()",
        IN_TRAFFIC,
    ),
    Mutant(
        "a lease that the watchdog has closed is renewed",
        f"{HOST}/safety/holding.py",
        "        if last is not None and last.token == token and last.closed:",
        "        if False:",
        IN_TRAFFIC,
    ),
    Mutant(
        "traffic outlives its lease where the controller is only deaf",
        f"{HOST}/service/helper.py",
        "            if self._lease.left_s(job.lease_token or 0) <= 0:",
        "            if False:",
        IN_TRAFFIC,
    ),
    Mutant(
        "traffic outlives its lease where the helper hangs",
        f"{HOST}/safety/watchdog.py",
        "            end_traffic(record)\n",
        "            pass\n",
        IN_TRAFFIC,
    ),
    Mutant(
        "the changing session confirms itself",
        f"{HOST}/safety/probation.py",
        '    if session == waiting["session"]:',
        "    if False:",
        LEASE,
    ),
    Mutant(
        "a torn record is believed",
        f"{HOST}/safety/record.py",
        '        if mark != b"%08x" % zlib.crc32(body):',
        "        if False:",
        ("tests/onhost/test_record.py",),
    ),
    Mutant(
        "the older of two records is believed",
        f"{HOST}/safety/record.py",
        "        newest = max(found,",
        "        newest = min(found,",
        ("tests/onhost/test_record.py",),
    ),
    Mutant(
        "a lock on a removed file counts",
        f"{HOST}/safety/record.py",
        "            if self._is_in_folder(lock):",
        "            if True:",
        ("tests/onhost/test_record.py",),
    ),
    Mutant(
        "a folder of somebody else's is used",
        f"{HOST}/safety/record.py",
        "        if not stat.S_ISDIR(seen.st_mode) or seen.st_uid != os.getuid() or seen.st_mode & 0o077:",
        "        if False:",
        ("tests/onhost/test_record.py",),
    ),
    Mutant(
        "the watchdog does not look at the deadline under the lock",
        f"{HOST}/safety/watchdog.py",
        '        over = state["standing"] == "left" or _closed(record, state)',
        "        over = True",
        RESTORING,
    ),
    Mutant(
        "a host is given up with changes on it",
        f"{HOST}/safety/holding.py",
        '        if state["changes"]:',
        "        if False:",
        (f"{WATCHDOG}::test_somebody_elses_change_is_a_conflict_and_left_alone",),
    ),
    Mutant(
        "a frame's checksum is not compared",
        f"{HOST}/service/frames.py",
        "            if zlib.crc32(body) != body_sum:",
        "            if False:",
        ("tests/onhost/test_frames.py",),
    ),
    Mutant(
        "a frame's header is not compared",
        f"{HOST}/service/frames.py",
        "            if zlib.crc32(bytes(self._bytes[:8])) != head_sum:",
        "            if False:",
        ("tests/onhost/test_frames.py",),
    ),
    Mutant(
        "a key too many is let through",
        f"{HOST}/service/shapes.py",
        "            if key not in needed and key not in optional:",
        "            if False:",
        ("tests/onhost/test_messages.py",),
    ),
    Mutant(
        "a level is not looked at by its setting",
        f"{HOST}/service/messages.py",
        '    problem = "" if level is None else setting.problem_with(level)',
        '    problem = ""',
        ("tests/onhost/test_messages.py",),
    ),
    Mutant(
        "the code's checksum is not compared",
        "orchestrator/act/bundle.py",
        'hexdigest()=="{self.sha256}" or sys.exit',
        "hexdigest() or sys.exit",
        ("tests/act/test_starting.py::test_code_that_does_not_match_the_command_is_not_run",),
    ),
    Mutant(
        "a revoked host key is accepted",
        "orchestrator/act/host_keys.py",
        "                trusted.revoked.append(entry.key)",
        "                pass",
        ("tests/act/test_host_identity.py",),
    ),
    Mutant(
        "checking switched off is not noticed",
        "orchestrator/act/ssh_config.py",
        "    if checking in _OFF:",
        "    if False:",
        ("tests/act/test_host_identity.py", "tests/act/test_ssh_config.py"),
    ),
    Mutant(
        "any host key is accepted",
        "orchestrator/act/login.py",
        "known_hosts=trusted.for_asyncssh()",
        "known_hosts=None",
        ("tests/act/test_host_identity.py",),
    ),
    Mutant(
        "a host's power is switched however often",
        "orchestrator/decide/restarting/power.py",
        "            and len(host.power_cycles) < MOST_PER_RUN and",
        "            and",
        POWER,
    ),
    Mutant(
        "a host's power is switched again in one trial",
        "orchestrator/decide/restarting/power.py",
        " and _trial(state) not in host.power_cycles)",
        ")",
        POWER,
    ),
    Mutant(
        "a host's power is switched after a person stopped the run",
        "orchestrator/decide/restarting/power.py",
        "state.began and not asked_to_end and",
        "state.began and",
        POWER,
    ),
    Mutant(
        "how often power was switched is forgotten by a resumed run",
        "orchestrator/decide/machine.py",
        '        host.power, host.final_starts = "", 0\n',
        '        host.power, host.final_starts, host.power_cycles = "", 0, []\n',
        POWER,
    ),
    Mutant(
        "what was restored in part is taken for somebody else's",
        f"{HOST}/safety/restoring.py",
        "        after = _known_in_part(after, change, verdict)",
        "        after = state",
        RESTORING,
    ),
    Mutant(
        "a host at its limit of processes is restored up to the first place",
        f"{HOST}/service/bounded.py",
        "    except OSError as error:\n        for end",
        "    except ZeroDivisionError as error:\n        for end",
        RESTORING,
    ),
    Mutant(
        "changes go on after the first on probation were taken back",
        f"{HOST}/safety/changes.py",
        '        if waiting and not state.get("probation"):',
        "        if False:",
        CHANGES,
    ),
    Mutant(
        "a change that ends late writes over what the watchdog noted",
        f"{HOST}/safety/changes.py",
        "            _require_nobody_came_between(record)\n",
        "",
        CHANGES,
    ),
    Mutant(
        "a record that cannot be read just now is taken for none",
        f"{HOST}/safety/record.py",
        "        except OSError as error:  # no file handle left, say: the newer state may be there all the same\n",
        "        except OSError as error:\n            return None\n",
        ("tests/onhost/test_record.py",),
    ),
    Mutant(
        "a watchdog without the lock believes that it is done",
        f"{HOST}/safety/watchdog.py",
        "            if not alone:  # whoever",
        "            if False:  # whoever",
        RESTORING,
    ),
)


def main() -> int:
    """Try every row; the number of those that nothing noticed decides."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--only", default="", help="rows whose description contains this")
    options.add_argument("--list", action="store_true", help="list the rows and end")
    chosen = options.parse_args()
    rows = [mutant for mutant in MUTANTS if chosen.only in mutant.what]
    if chosen.list:
        print("\n".join(mutant.what for mutant in rows))
        return 0
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        for name in ("orchestrator", "tests", "plans"):
            shutil.copytree(CHECKOUT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
        for name in ("pyproject.toml", "README.md", "LICENSE"):
            shutil.copy(CHECKOUT / name, copy / name)
        unbroken = {test for mutant in rows for test in mutant.tests}
        if _fails(copy, tuple(sorted(unbroken)), show=True):
            print("these tests fail without any mutant: nothing can be said")
            return 1
        survivors = [mutant.what for mutant in rows if not _is_caught(copy, mutant)]
    print(f"{len(rows) - len(survivors)} of {len(rows)} caught")
    return 1 if survivors else 0


def _is_caught(copy: Path, mutant: Mutant) -> bool:
    file = copy / mutant.file
    text = file.read_text(encoding="utf-8")
    if text.count(mutant.good) == 0:
        print(f"NO LONGER FITS   {mutant.what}", flush=True)
        return False
    file.write_text(text.replace(mutant.good, mutant.bad), encoding="utf-8")
    try:
        caught = _fails(copy, mutant.tests)
    finally:
        file.write_text(text, encoding="utf-8")
    print(f"{'caught' if caught else 'NOBODY NOTICED':<16} {mutant.what}", flush=True)
    return caught


def _fails(copy: Path, tests: tuple[str, ...], *, show: bool = False) -> bool:
    # the copy's own package must be imported, not the installed one: its folder comes first on the path
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests],
        cwd=copy,
        capture_output=True,
        text=True,
        timeout=TIMEOUT_S,
        check=False,
        env={**os.environ, "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"},
    )
    if done.returncode not in (0, 1) or (show and done.returncode):
        print(done.stdout[-2000:], done.stderr[-2000:])
    if done.returncode not in (0, 1):
        raise SystemExit("pytest itself failed")
    return done.returncode == 1


if __name__ == "__main__":
    sys.exit(main())
