"""Both SSH servers of a lab behave alike towards a client: OpenSSH's, and the one inside asyncssh."""

from __future__ import annotations

import os
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from orchestrator.lab.lab import Lab, Server
from orchestrator.lab.scenario import Account, Scenario, lab_host


@pytest.fixture(params=["openssh", "asyncssh"])
def either(request: pytest.FixtureRequest) -> Iterator[Lab]:
    server: Server = request.param
    with Lab(server=server) as lab:
        yield lab


def _ssh(lab: Lab, host: str, command: str, **options: object) -> subprocess.CompletedProcess[bytes]:
    return lab.run(["ssh", "-F", lab.ssh_config, host, command], capture_output=True, check=False, **options)


@pytest.mark.lab
def test_bytes_of_every_value_come_back_unchanged_with_the_exit_status(either: Lab) -> None:
    data = os.urandom(1 << 20) + bytes(range(256))
    done = _ssh(either, "dome", "cat; echo word >&2; exit 5", input=data)
    assert (done.returncode, done.stdout == data, done.stderr) == (5, True, b"word\n")


@pytest.mark.lab
def test_a_command_runs_in_the_hosts_own_place_in_the_login_shell(either: Lab) -> None:
    done = _ssh(
        either, "hall", "hostname; pwd; echo $HOME $USER $SHELL; cat /run/linktrial-lab", stdin=subprocess.DEVNULL
    )
    assert done.stdout.decode().split() == ["hall", "/run/home/root", "/run/home/root", "root", "/bin/sh", "hall"]


@pytest.mark.lab
def test_input_that_nobody_reads_does_not_hold_the_session(either: Lab) -> None:
    assert _ssh(either, "dome", "exit 4", input=bytes(4 << 20)).returncode == 4


@pytest.mark.lab
def test_what_runs_in_the_background_outlives_its_session(either: Lab) -> None:
    done = _ssh(either, "dome", "setsid sleep 1000 </dev/null >/dev/null 2>&1 & echo $!", stdin=subprocess.DEVNULL)
    pid = done.stdout.decode().strip()
    assert either.hosts["dome"].path(f"/proc/{pid}/comm").read_text() == "sleep\n"


@pytest.mark.lab
def test_a_lost_connection_ends_what_still_writes_to_it(either: Lab) -> None:
    with either.start(
        ["ssh", "-F", either.ssh_config, "dome", "echo $$; while :; do echo x; sleep 0.05; done"],
        stdout=subprocess.PIPE,
        text=True,
    ) as client:
        assert client.stdout
        pid = client.stdout.readline().strip()
        client.kill()
    until = time.monotonic() + 10
    while either.hosts["dome"].path(f"/proc/{pid}").exists():
        assert time.monotonic() < until, "the shell goes on writing into a closed pipe"
        time.sleep(0.02)


@pytest.mark.lab
def test_a_stranger_s_key_is_refused(either: Lab) -> None:
    either.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", "/run/stranger"], check=True)
    known = Path(either.ssh_config).with_name("known_hosts")
    done = either.run(
        [
            "ssh",
            "-F",
            "none",
            "-i",
            "/run/stranger",
            "-o",
            "BatchMode=yes",
            "-o",
            "IdentityAgent=none",
            "-o",
            f"UserKnownHostsFile={known}",
            "root@10.77.0.11",
            "true",
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 255
    assert "Permission denied" in done.stderr


@pytest.mark.lab
def test_accounts_have_their_own_shell_home_and_sudo() -> None:
    people = (Account("bench", 1001, login_shell="/bin/bash", sudo=True), Account("guest", 1002))
    with Lab(Scenario(hosts=(lab_host("dome", 11, accounts=people), lab_host("hall", 12))), server="openssh") as lab:
        who = _ssh(lab, "bench@dome", "id -u; pwd; echo $0; sudo -n id -u", stdin=subprocess.DEVNULL)
        assert who.stdout.decode().split() == ["1001", "/run/home/bench", "bash", "0"], who.stderr
        refused = _ssh(lab, "guest@dome", "sudo -n id -u", stdin=subprocess.DEVNULL)
        assert refused.returncode == 1
        assert b"password is required" in refused.stderr
