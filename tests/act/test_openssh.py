"""A real OpenSSH server, real accounts, a real sudo: what works, and every failure told apart before any change."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import asyncssh
import pytest

from orchestrator.act.session import HostSession, connect
from orchestrator.act.sudoers import sudoers_line
from orchestrator.faults import HostError
from tests.act.openssh import UID, USER, OpenSsh, open_ssh

pytestmark = pytest.mark.lab

RULE = sudoers_line(USER)
sudo_needed = pytest.mark.skipif(shutil.which("sudo") is None, reason="sudo is not installed here")


def _uid(server: OpenSsh, privilege: str) -> int:
    async def work() -> int:
        session = await connect(server.host(privilege), ssh_config=server.config, timeout_s=20)
        try:
            return int((await session.request("facts"))["uid"])
        finally:
            await session.close()

    return asyncio.run(work())


def _refused(server: OpenSsh, privilege: str = "none", timeout_s: float = 20.0) -> HostError:
    async def work() -> None:
        await (await connect(server.host(privilege), ssh_config=server.config, timeout_s=timeout_s)).close()

    with pytest.raises(HostError) as refused:
        asyncio.run(work())
    assert refused.value.next_step
    return refused.value


def test_an_ordinary_user_gets_an_ordinary_helper() -> None:
    with open_ssh() as server:
        assert _uid(server, "none") == UID


@sudo_needed
@pytest.mark.parametrize(
    "more",
    [
        "",
        "Defaults lecture=always",
        "Defaults use_pty",
        "Defaults log_output",
        "Defaults env_reset, secure_path=/usr/sbin:/usr/bin:/sbin:/bin",
    ],
)
def test_the_ready_sudoers_line_gives_root_and_nothing_else_is_needed(more: str) -> None:
    with open_ssh(sudoers=f"{more}\n{RULE}") as server:
        assert _uid(server, "sudo") == 0


@sudo_needed
def test_the_ready_sudoers_line_allows_no_other_command() -> None:
    """One option more, another program text, a shell: each wants a password."""
    with open_ssh(sudoers=RULE) as server:

        async def work() -> list[int | None]:
            async with asyncssh.connect(
                "127.0.0.1",
                server.port,
                username=USER,
                config=None,
                agent_path=None,
                client_keys=[f"{server.folder}/user_key"],
                known_hosts=str(server.folder / "known_hosts"),
            ) as connection:
                return [
                    (await connection.run(f"sudo -n {words}")).exit_status
                    for words in (
                        "id",
                        "sh -c id",
                        "python3 -c 'print(1)'",
                        "python3 -I -B -c 'print(1)'",
                        "python3 -I -B -S -c 1",
                    )
                ]

        assert asyncio.run(work()) == [1] * 5


@sudo_needed
@pytest.mark.parametrize(
    ("how", "code"),
    [
        ({"sudoers": ""}, "sudo_password"),
        ({"sudoers": f"{USER} ALL=(root) /bin/true"}, "sudo_password"),
        ({"sudoers": f"Defaults requiretty\n{RULE}"}, "sudo_tty"),
        ({"sudoers": RULE, "broken_sudo": True}, "sudo_broken"),
        ({"sudoers": f"Defaults secure_path=/nonexistent\n{USER} ALL=(root) NOPASSWD: ALL"}, "python_missing"),
        ({"sudoers": RULE, "start_file": "PATH=/nonexistent"}, "sudo_missing"),
    ],
    ids=["not a sudoer", "another command", "wants a terminal", "not setuid", "no python3 on secure_path", "no sudo"],
)
def test_each_failure_of_sudo_is_told_apart(how: dict[str, Any], code: str) -> None:
    with open_ssh(**how) as server:
        assert _refused(server, "sudo").code == code


def test_noise_of_sudo_on_the_error_channel_is_no_failure() -> None:
    if shutil.which("sudo") is None:
        pytest.skip("sudo is not installed here")
    with open_ssh(sudoers=RULE, start_file="echo grumble >&2") as server:
        assert _uid(server, "sudo") == 0


@pytest.mark.parametrize(
    ("how", "codes"),
    [
        ({"login_shell": "/usr/sbin/nologin"}, {"no_login"}),
        ({"settings": "ForceCommand echo only backups"}, {"other_command"}),
        ({"key_options": 'command="echo only this"'}, {"other_command"}),
        ({"start_file": "exit 0"}, {"start_file_exits"}),
        ({"start_file": "exec cat > /dev/null"}, {"silent"}),
        ({"shadow": "!:19000:0:99999:7:::"}, {"login_refused"}),
        ({"shadow": "*:19000:0:99999:7::1:"}, {"login_refused"}),
        ({"settings": "AllowUsers somebody-else"}, {"login_refused"}),
        ({"settings": "MaxSessions 0"}, {"closed"}),
    ],
    ids=[
        "nologin",
        "forced by the server",
        "forced by the key",
        "start file exits",
        "start file swallows",
        "locked",
        "expired",
        "not allowed",
        "no sessions",
    ],
)
def test_each_refusal_of_the_server_has_its_name(how: dict[str, Any], codes: set[str]) -> None:
    with open_ssh(**how) as server:
        assert _refused(server, timeout_s=5.0).code in codes


def test_a_restricted_key_is_enough() -> None:
    """`restrict` switches off terminals, forwarding and start files of the server; the helper needs none of them."""
    with open_ssh(key_options="restrict") as server:
        assert _uid(server, "none") == UID


def test_a_start_file_that_reads_is_only_waited_for() -> None:
    with open_ssh(start_file='read -t 1 line; echo "ate: $line"') as server:
        assert _uid(server, "none") == UID


def test_fifty_sessions_at_once_lose_none_to_the_servers_limit() -> None:
    """OpenSSH's default MaxStartups (10:30:100) drops connections at random once ten are not logged in yet."""

    async def work(server: OpenSsh) -> int:
        sessions = await asyncio.gather(
            *(connect(server.host(), ssh_config=server.config, timeout_s=60) for _ in range(50)), return_exceptions=True
        )
        opened = [session for session in sessions if isinstance(session, HostSession)]
        await asyncio.gather(*(session.close() for session in opened))
        return len(opened)

    with open_ssh() as server:
        assert asyncio.run(work(server)) == 50


@pytest.mark.parametrize("privilege", ["none", pytest.param("sudo", marks=sudo_needed)])
def test_the_watchdog_survives_the_end_of_its_session(privilege: str) -> None:
    with open_ssh(sudoers=RULE) as server:

        async def work() -> tuple[dict[str, Any], dict[str, Any]]:
            session = await connect(server.host(privilege), ssh_config=server.config)
            await session.request("lease.acquire", {"run_id": "r1", "holder": "test", "lease_s": 60})
            before = await session.request("watchdog")
            await session.close()
            session = await connect(server.host(privilege), ssh_config=server.config)
            after = await session.request("watchdog")
            await session.request("recover", {"run_id": "r1"})
            await session.close()
            return before, after

        before, after = asyncio.run(work())
        assert before["alive"]
        assert after["alive"]
        assert before["pid"] == after["pid"]


@pytest.mark.parametrize("only", ["", "  IdentitiesOnly yes\n"])
def test_an_agent_full_of_other_keys_does_not_use_up_the_servers_patience(only: str) -> None:
    """OpenSSH's server gives up after six; the key that the configuration names comes first, as with ssh itself."""
    with open_ssh() as server, _agent(server.folder / "agent") as environment:
        for number in range(8):
            other = server.folder / f"other{number}"
            asyncssh.generate_private_key("ssh-ed25519").write_private_key(other)
            other.chmod(0o600)
            subprocess.run(["ssh-add", "-q", str(other)], env=environment, check=True, timeout=10)
        named = server.folder / "user_key"
        subprocess.run(["ssh-add", "-q", str(named)], env=environment, check=True, timeout=10)
        asyncssh.read_private_key(named).write_public_key(server.folder / "user_key.pub")
        named.unlink()  # only the agent has it
        config = Path(server.config)
        config.write_text(
            config.read_text().replace("IdentityAgent none", f"IdentityAgent {server.folder}/agent") + only
        )
        assert _uid(server, "none") == UID


@contextlib.contextmanager
def _agent(place: Path) -> Iterator[dict[str, str]]:
    process = subprocess.Popen(["ssh-agent", "-D", "-a", str(place)], stdout=subprocess.DEVNULL)
    try:
        while not place.exists():
            assert process.poll() is None
        yield {**os.environ, "SSH_AUTH_SOCK": str(place)}
    finally:
        process.kill()
        process.wait()


def test_the_way_a_host_is_controlled_by_is_known(tmp_path: Path) -> None:
    async def work(server: OpenSsh, privilege: str) -> dict[str, Any]:
        session = await connect(server.host(privilege), ssh_config=server.config)
        try:
            return await session.request("control")
        finally:
            await session.close()

    with open_ssh(sudoers=RULE) as server:
        for privilege in ("none", "sudo") if shutil.which("sudo") else ("none",):
            path = asyncio.run(work(server, privilege))
            assert path == {"local": "127.0.0.1", "peer": "127.0.0.1", "interface": "lo", "interfaces": ["lo"]}
