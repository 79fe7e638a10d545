"""An ordinary user can make a lab, and is told what is missing where that is not allowed."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.lab.ordinary_user import run_as_ordinary_user, why_not

pytestmark = pytest.mark.skipif(bool(why_not()), reason=why_not())

_USE_A_LAB = """
import os
from orchestrator.lab.lab import Lab
assert os.geteuid() == 65534
with Lab(server="asyncssh") as lab:
    lab.hosts["dome"].output(["ip", "link", "set", "dev", "eth1", "mtu", "9000"])
    lab.switch.set_rate(100_000_000)
    print(lab.hosts["dome"].output(["sh", "-c", "hostname; id -u; cat /sys/class/net/eth1/mtu"]).split())
    print(lab.hosts["dome"].output(["python3", "-c",
        "import socket; print(socket.create_connection(('10.77.0.12', 22)).recv(4))"]).strip())
"""


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that everybody may enter; pytest keeps its own to one user."""
    with tempfile.TemporaryDirectory(prefix="linktrial-test-") as name:
        Path(name).chmod(0o755)
        yield Path(name)


def _new(folder: Path) -> Path:
    folder.mkdir()
    return folder


def test_a_lab_stands_for_an_ordinary_user(open_folder: Path) -> None:
    done = run_as_ordinary_user(
        [sys.executable, "-c", _USE_A_LAB], _new(open_folder / "stage"), _new(open_folder / "home")
    )
    assert done.stdout.splitlines() == ["['dome', '0', '9000']", "b'SSH-'"], done.stderr


def test_the_demo_runs_for_an_ordinary_user(open_folder: Path) -> None:
    home = _new(open_folder / "home")
    done = run_as_ordinary_user(
        [
            sys.executable,
            "-m",
            "orchestrator.cli",
            "demo",
            "--out",
            str(home / "out"),
            "--seconds",
            "1",
            "--replicates",
            "1",
        ],
        _new(open_folder / "stage"),
        home,
    )
    assert done.returncode == 0, done.stderr
    assert "restored and verified as found" in done.stderr
    (run,) = (home / "out").iterdir()
    assert (run / "report.html").stat().st_uid == 65534


def test_where_user_namespaces_are_not_allowed_the_demo_says_so_and_exits_3(open_folder: Path) -> None:
    home = _new(open_folder / "home")
    # the limit of a user namespace around it, not the machine's own
    limited = 'echo 0 > /proc/sys/user/max_user_namespaces && exec setpriv --bounding-set=-all "$@"'
    done = run_as_ordinary_user(
        [
            "unshare",
            "--user",
            "--map-user=1000",
            "--keep-caps",
            "sh",
            "-c",
            limited,
            "sh",
            sys.executable,
            "-m",
            "orchestrator.cli",
            "demo",
        ],
        _new(open_folder / "stage"),
        home,
    )
    assert done.returncode == 3
    assert "An ordinary user needs unprivileged user namespaces, which are not allowed here" in done.stderr
