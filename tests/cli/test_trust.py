"""`linktrial trust`: nothing is recorded that nobody has confirmed."""

from __future__ import annotations

import asyncio
import os
import pty
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import asyncssh
import pytest

from orchestrator.act.host_keys import fingerprint
from orchestrator.act.login import log_in
from orchestrator.act.sudoers import sudoers_line
from tests.act.local_server import BOX, LocalServer, local_server

KEY = asyncssh.generate_private_key("ssh-ed25519")
OTHER = asyncssh.generate_private_key("ssh-ed25519")


def _trust(
    folder: Path, known: Callable[[LocalServer], str], *words: str, more: str = "", typed: bytes | None = None
) -> tuple[int, str, bool]:
    """Exit code, what was said, and whether the host can be logged in to afterwards. `typed`: on a terminal."""

    async def work() -> tuple[int, str, bool]:
        async with local_server(folder, keys=[KEY]) as server:
            config = server.configuration(known(server), more)
            argv = [sys.executable, "-m", "orchestrator.cli", "trust", "box", "--ssh-config", config, *words]
            code, said = await asyncio.to_thread(_run, argv, typed)
            try:
                await (await log_in(BOX, ssh_config=config, timeout_s=5)).close()
            except Exception:
                return code, said, False
            return code, said, True

    return asyncio.run(work())


def _run(argv: list[str], typed: bytes | None) -> tuple[int, str]:
    if typed is None:
        done = subprocess.run(argv, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=30, check=False)
        return done.returncode, done.stdout + done.stderr
    ours, theirs = pty.openpty()
    process = subprocess.Popen(argv, stdin=theirs, stdout=theirs, stderr=theirs)
    os.close(theirs)
    os.write(ours, typed)
    said = b""
    try:
        while part := os.read(ours, 4096):
            said += part
    except OSError:  # the terminal's other end is closed
        pass
    os.close(ours)
    return process.wait(30), said.decode()


def test_without_a_terminal_nothing_is_asked_and_nothing_recorded(tmp_path: Path) -> None:
    code, said, trusted = _trust(tmp_path, lambda _: "")
    assert (code, trusted) == (3, False)
    assert f"--confirm {fingerprint(KEY)}" in said


def test_the_right_fingerprint_is_recorded(tmp_path: Path) -> None:
    code, said, trusted = _trust(tmp_path, lambda _: "# no newline at the end", "--confirm", fingerprint(KEY))
    assert (code, trusted) == (0, True), said
    assert "ssh-keygen -lf" in said


def test_a_wrong_fingerprint_is_not(tmp_path: Path) -> None:
    code, _, trusted = _trust(tmp_path, lambda _: "", "--confirm", fingerprint(OTHER))
    assert (code, trusted) == (3, False)


@pytest.mark.parametrize(("typed", "code"), [(b"yes\n", 0), (b"\n", 3), (b"y\n", 3), (b"no\n", 3)])
def test_on_a_terminal_only_a_typed_yes_counts(typed: bytes, code: int, tmp_path: Path) -> None:
    assert _trust(tmp_path, lambda _: "", typed=typed)[::2] == (code, code == 0)


def test_a_hashed_name_is_written_when_the_configuration_wants_it(tmp_path: Path) -> None:
    code, _, trusted = _trust(tmp_path, lambda _: "", "--confirm", fingerprint(KEY), more="  HashKnownHosts yes\n")
    assert (code, trusted) == (0, True)
    assert (tmp_path / "known_hosts").read_text().startswith("|1|")


def test_a_known_key_is_told_from_where(tmp_path: Path) -> None:
    code, said, _ = _trust(tmp_path, lambda server: server.known_line())
    assert code == 0
    assert "known_hosts:1" in said


def test_a_changed_key_is_never_recorded_over_the_old_one(tmp_path: Path) -> None:
    code, said, trusted = _trust(tmp_path, lambda s: s.known_line(OTHER), "--confirm", fingerprint(KEY))
    assert (code, trusted) == (3, False)
    assert fingerprint(OTHER) in said


def test_a_revoked_key_is_never_recorded(tmp_path: Path) -> None:
    code, _, trusted = _trust(tmp_path, lambda s: s.known_line(KEY, "*", "@revoked"), "--confirm", fingerprint(KEY))
    assert (code, trusted) == (3, False)


def test_the_sudoers_line_is_one_that_visudo_accepts(tmp_path: Path) -> None:
    visudo = shutil.which("visudo", path=f"{os.environ['PATH']}:/usr/sbin")
    if visudo is None:
        pytest.skip("visudo is not installed here (package sudo)")
    file = tmp_path / "line"
    file.write_text(sudoers_line("ann") + "\n")
    done = subprocess.run([visudo, "-c", "-f", str(file)], capture_output=True, text=True, timeout=20, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("user", ["ALL", "a b", "", "ann ALL=(ALL) ALL\nbob", "%wheel", "#0"])
def test_no_name_smuggles_another_rule_into_the_sudoers_line(user: str) -> None:
    with pytest.raises(ValueError, match="account"):
        sudoers_line(user)
