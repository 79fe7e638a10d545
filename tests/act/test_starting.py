"""The helper starts through whatever login shell and start file a user has, or the error says what is in the way."""

from __future__ import annotations

import asyncio
import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from orchestrator.act.addresses import HostAddress
from orchestrator.act.bundle import helper_bundle
from orchestrator.act.channel import NOISE_LIMIT_BYTES, Channel
from orchestrator.act.session import connect
from orchestrator.act.start_failures import explain
from orchestrator.faults import HostError
from tests.act.local_server import BOX, SYSTEM_PATH, local_server

SHELLS = ["bash", "dash", "zsh", "tcsh", "fish", "ksh", "busybox"]


async def _start(
    folder: Path,
    *,
    login_shell: tuple[str, ...] = ("/bin/sh", "-c"),
    environment: dict[str, str] | None = None,
    host: HostAddress = BOX,
    timeout_s: float = 15.0,
) -> dict[str, object]:
    async with local_server(folder, login_shell=login_shell, environment=environment) as server:
        session = await connect(host, ssh_config=server.configuration(server.known_line()), timeout_s=timeout_s)
        try:
            clock = await session.request("clock")
            assert clock["monotonic_ns"] > 0
            return session.facts_of_start
        finally:
            await session.close()


def _refused(folder: Path, **options: object) -> HostError:
    with pytest.raises(HostError) as refused:
        asyncio.run(_start(folder, **options))
    assert refused.value.host == "box"
    assert refused.value.next_step, "an error without a way out"
    return refused.value


def _script(folder: Path, name: str, text: str) -> str:
    file = folder / name
    file.write_text(text)
    file.chmod(file.stat().st_mode | stat.S_IXUSR)
    return str(file)


def _shell_with_start_file(folder: Path, lines: str) -> tuple[str, ...]:
    """A login shell that reads a start file first, as bash does for a command over SSH."""
    return (_script(folder, "loginshell", f'#!/bin/bash\n{lines}\neval "$2"\n'), "-c")


@pytest.mark.parametrize("name", SHELLS)
def test_the_constant_command_means_the_same_to_every_shell(name: str, tmp_path: Path) -> None:
    shell = shutil.which(name)
    if shell is None:
        pytest.skip(f"{name} is not installed here")
    words = (shell, "sh", "-c") if name == "busybox" else (shell, "-c")
    facts = asyncio.run(_start(tmp_path, login_shell=words))
    assert facts["code"] == helper_bundle().sha256


def test_the_command_has_nothing_that_a_shell_could_take_apart() -> None:
    for sudo in (False, True):
        command = helper_bundle().command(sudo=sudo)
        assert command.count("'") == 2
        assert not set(command) & set("\\!\n`$")
        assert len(command) < 1000, "tcsh took words of 1024 bytes for too long"


def test_a_start_file_that_prints_does_not_matter(tmp_path: Path) -> None:
    noise = "echo 'Welcome to the dome'; printf '\\000\\377\\001'; seq 1 2000; printf 'no newline'"
    asyncio.run(_start(tmp_path, login_shell=_shell_with_start_file(tmp_path, noise)))


def test_a_start_file_that_reads_gets_nothing_of_ours(tmp_path: Path) -> None:
    """Nothing is sent before the marker: the line that is read is only missing, it is not our code."""
    lines = f"read -t 1 line; printf '%s' \"$line\" > {tmp_path}/eaten"
    asyncio.run(_start(tmp_path, login_shell=_shell_with_start_file(tmp_path, lines)))
    assert (tmp_path / "eaten").read_bytes() == b""


def test_a_slow_start_file_is_waited_for(tmp_path: Path) -> None:
    asyncio.run(_start(tmp_path, login_shell=_shell_with_start_file(tmp_path, "sleep 2"), timeout_s=20))


def test_a_silent_shell_is_an_error_in_bounded_time(tmp_path: Path) -> None:
    error = _refused(tmp_path, login_shell=_shell_with_start_file(tmp_path, "cat > /dev/null"), timeout_s=2.0)
    assert error.code == "silent"
    assert "start file" in error.next_step


def test_a_start_file_that_exits_is_named(tmp_path: Path) -> None:
    assert _refused(tmp_path, login_shell=_shell_with_start_file(tmp_path, "exit 0")).code == "start_file_exits"


def test_a_forced_command_is_told_by_its_words(tmp_path: Path) -> None:
    error = _refused(tmp_path, login_shell=_shell_with_start_file(tmp_path, "echo only backups here; exit 0"))
    assert error.code == "other_command"
    assert "only backups here" in error.message


def test_a_shell_that_echoes_the_command_is_not_taken_for_the_helper(tmp_path: Path) -> None:
    error = _refused(tmp_path, login_shell=_shell_with_start_file(tmp_path, 'echo "$2"; exit 0'))
    assert error.code == "other_command"


def test_no_login_shell_is_named(tmp_path: Path) -> None:
    nologin = shutil.which("nologin", path=SYSTEM_PATH)
    assert nologin, "nologin is part of every Debian (package login)"
    assert _refused(tmp_path, login_shell=(nologin, "-c")).code == "no_login"


def test_a_restricted_shell_is_named(tmp_path: Path) -> None:
    rbash = shutil.which("rbash", path=SYSTEM_PATH)
    assert rbash, "rbash is part of bash"
    assert _refused(tmp_path, login_shell=(rbash, "-c")).code == "restricted_shell"


@pytest.mark.parametrize("shell", ["bash", "dash", "tcsh", "zsh", "fish", "ksh"])
def test_a_missing_python_is_named_whatever_the_shell_answers(shell: str, tmp_path: Path) -> None:
    program = shutil.which(shell)
    if program is None:
        pytest.skip(f"{shell} is not installed here")
    empty = tmp_path / "empty"
    empty.mkdir()
    error = _refused(tmp_path, login_shell=(program, "-c"), environment={"PATH": str(empty), "HOME": str(tmp_path)})
    assert error.code == "python_missing"
    assert "3.8" in error.next_step


def test_an_old_python_is_named_with_its_version(tmp_path: Path) -> None:
    old = next(
        (
            path
            for path in ("/root/.pyenv/versions/3.7.16/bin/python", "/root/.pyenv/versions/3.6.15/bin/python")
            if os.access(path, os.X_OK)
        ),
        None,
    )
    if old is None:
        pytest.skip("no Python older than 3.8 is installed here")
    (tmp_path / "bin").mkdir()
    (tmp_path / "bin" / "python3").symlink_to(old)
    error = _refused(tmp_path, environment={"PATH": f"{tmp_path}/bin", "HOME": str(tmp_path)})
    assert error.code == "python_too_old"
    assert "3.7" in error.message or "3.6" in error.message


def test_missing_modules_are_named_before_any_code_is_sent(tmp_path: Path) -> None:
    """A Python without its whole library (Debian's python3-minimal) starts, says so, and is left alone."""
    hide = f"import sys; sys.modules.update(json=None, ctypes=None); exec(sys.argv[1])"  # noqa: F541
    bin_folder = tmp_path / "bin"
    bin_folder.mkdir()
    _script(
        bin_folder,
        "python3",
        f'#!/bin/sh\nwhile [ "$1" != -c ]; do shift; done\nexec {sys.executable} -I -c \'{hide}\' "$2"\n',
    )
    error = _refused(tmp_path, environment={"PATH": f"{bin_folder}:{SYSTEM_PATH}", "HOME": str(tmp_path)})
    assert error.code == "python_modules_missing"
    assert "ctypes" in error.message
    assert "json" in error.message


def test_noise_inside_the_stream_is_an_error_and_not_a_hang(tmp_path: Path) -> None:
    """A start file's background job writes between our frames."""
    lines = "( sleep 0.5; for i in 1 2 3 4 5 6 7 8; do echo background noise; sleep 0.2; done ) &"

    async def work() -> None:
        async with local_server(tmp_path, login_shell=_shell_with_start_file(tmp_path, lines)) as server:
            session = await connect(BOX, ssh_config=server.configuration(server.known_line()))
            try:
                for _ in range(200):
                    await session.request("clock")
                    await asyncio.sleep(0.02)
            finally:
                await session.close()

    with pytest.raises(HostError) as broken:
        asyncio.run(work())
    assert broken.value.code in ("noise", "lost")


def test_the_end_is_the_exit_status_and_not_the_end_of_output(tmp_path: Path) -> None:
    """A background job keeps the output open long after the helper has gone."""
    lines = "sleep 20 & echo $! > sleeper; exit 3"
    try:
        error = _refused(tmp_path, login_shell=_shell_with_start_file(tmp_path, lines), timeout_s=10.0)
    finally:
        subprocess.run(["kill", (tmp_path / "sleeper").read_text().strip()], check=False)
    assert error.code == "not_started"
    assert error.values["exit_status"] == 3


@pytest.mark.parametrize("sent", ["one byte changed", "more behind it", "less", "nothing", "no end"])
def test_code_that_does_not_match_the_command_is_not_run(tmp_path: Path, sent: str) -> None:
    """The start command pins one version: a sudoers line that allows it allows nothing else, and keeps no more."""
    bundle = helper_bundle()
    pwn = b"\nprint('pwned')\n"
    code = {
        "one byte changed": bundle.blob[: -len(pwn)] + pwn,
        "more behind it": pwn + bundle.blob,
        "less": pwn + bundle.blob[:1000],
        "nothing": b"",
        "no end": pwn * (4 * len(bundle.blob) // len(pwn)),
    }[sent]
    limit = f"ulimit -v {(len(bundle.blob) * 2 + (64 << 20)) // 1024}; "  # kibibytes: an interpreter and twice the code
    done = subprocess.run(
        ["/bin/sh", "-c", limit + bundle.command()], input=code, capture_output=True, timeout=20, check=False
    )
    assert done.returncode == 1
    assert b"pwned" not in done.stdout
    assert b"not the code of this command" in done.stderr


def test_a_host_of_another_system_is_refused_by_name_before_anything_of_ours_is_loaded(tmp_path: Path) -> None:
    """A stand-in: this machine's Python, that says it is another system's."""
    stand_in = tmp_path / "python3"
    stand_in.write_text(f"#!/bin/sh\nexec {sys.executable} -I -B -c \"import sys; sys.platform = 'darwin'\n$4\"\n")
    stand_in.chmod(0o755)
    error = _refused(tmp_path, environment={"PATH": f"{tmp_path}:{SYSTEM_PATH}", "HOME": str(tmp_path)})
    assert error.code == "system_unknown"
    assert "darwin" in error.message


def test_words_that_come_after_the_exit_status_still_explain_it() -> None:
    """A server sends the exit status when the program ends, and its output when it gets to it."""
    channel = Channel(lambda message: None, lambda: None)
    channel.exit_status_received(0)
    channel.data_received(b"only backups here\n", None)
    assert explain(channel.seen, BOX, 1.0).code == "other_command"


def test_an_endless_start_file_is_not_kept_in_memory() -> None:
    channel = Channel(lambda message: None, lambda: None)
    for _ in range(100):
        channel.data_received(b"x" * 65536, None)
    assert channel.seen.damage
    assert len(channel.seen.output) <= NOISE_LIMIT_BYTES + 65536
    assert explain(channel.seen, BOX, 1.0).code == "noise"
