"""A session: requests, jobs with events, ends of every kind; keys, certificates, agents and jump hosts."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import subprocess
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import asyncssh
import pytest

from orchestrator.act import login, session
from orchestrator.act.bundle import helper_bundle
from orchestrator.act.session import HostSession, connect
from orchestrator.faults import BugError, HostError
from orchestrator.onhost.service.frames import encode
from orchestrator.onhost.system.process import started_ticks
from tests.act.local_server import BOX, LocalServer, local_server


@contextlib.asynccontextmanager
async def opened(folder: Path, **options: Any) -> AsyncIterator[tuple[LocalServer, HostSession]]:
    async with local_server(folder, **options) as server:
        made = await connect(BOX, ssh_config=server.configuration(server.known_line()), timeout_s=20)
        try:
            yield server, made
        finally:
            await made.close()


def _on_session(folder: Path, work: Callable[[HostSession], Awaitable[Any]]) -> Any:
    async def run() -> Any:
        async with opened(folder) as (_, made):
            return await work(made)

    return asyncio.run(run())


def _path_args(port: int) -> dict[str, Any]:
    return {
        "token": "ab" * 32,
        "interface": "lo",
        "local": "127.0.0.1",
        "peer": "127.0.0.1",
        "family": 4,
        "port": port,
        "mtu": 1500,
        "small_first_timeout_s": 20.0,
    }


def _free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def test_the_one_command_is_all_that_a_shell_ever_sees(tmp_path: Path) -> None:
    async def run() -> list[str]:
        async with opened(tmp_path) as (server, made):
            await made.request("read", {"places": []})
            await made.request("facts")
            return server.commands

    assert asyncio.run(run()) == [helper_bundle().command()]


def test_a_refusal_of_the_host_keeps_its_code_and_values(tmp_path: Path) -> None:
    async def work(made: HostSession) -> None:
        with pytest.raises(HostError) as refused:
            await made.request("lease.renew", {"token": 0, "lease_s": 10})
        assert refused.value.code == "bad_request"
        assert refused.value.host == "box"
        assert refused.value.values["verb"] == "lease.renew"

    _on_session(tmp_path, work)


def test_a_job_reports_events_until_its_result(tmp_path: Path) -> None:
    async def work(made: HostSession) -> None:
        job = made.start("path.answer", _path_args(_free_port()), timeout_s=20)
        assert (await job.event())["stage"] == "listening"
        await made.request("clock")
        await job.cancel()
        with pytest.raises(HostError) as ended:
            await job.result()
        assert ended.value.code == "cancelled"

    _on_session(tmp_path, work)


def test_a_job_that_ends_instead_of_reporting_raises_its_own_error(tmp_path: Path) -> None:
    async def work(made: HostSession) -> None:
        job = made.start("path.answer", {**_path_args(_free_port()), "interface": "none0"}, timeout_s=20)
        with pytest.raises((HostError, BugError)) as ended:
            await job.event(20)
        assert ended.value.code not in ("silent", "lost")

    _on_session(tmp_path, work)


def test_a_silent_job_is_an_error_in_bounded_time(tmp_path: Path) -> None:
    async def work(made: HostSession) -> None:
        job = made.start("path.answer", _path_args(_free_port()), timeout_s=20)
        await job.event()
        with pytest.raises(HostError) as silent:
            await job.event(0.1)
        assert silent.value.code == "silent"
        await job.cancel()

    _on_session(tmp_path, work)


def test_a_killed_helper_fails_every_job_at_once(tmp_path: Path) -> None:
    async def work(made: HostSession) -> None:
        jobs = [made.start("path.answer", _path_args(_free_port()), timeout_s=60) for _ in range(3)]
        for job in jobs:
            await job.event()
        os.kill(made.facts_of_start["pid"], 9)
        for job in jobs:
            with pytest.raises(HostError) as lost:
                await job.result()
            assert lost.value.code == "lost"
        await asyncio.wait_for(made.lost.wait(), 10)
        with pytest.raises(HostError):
            await made.request("clock")

    _on_session(tmp_path, work)


def test_a_helper_that_is_stopped_is_an_error_in_bounded_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(session, "ANSWER_GRACE_S", 0.2)

    async def work(made: HostSession) -> None:
        os.kill(made.facts_of_start["pid"], 19)
        with pytest.raises(HostError) as silent:
            await made.request("facts", timeout_s=0.2)
        assert silent.value.code == "silent"
        os.kill(made.facts_of_start["pid"], 18)
        assert (await made.request("clock"))["wall_ns"] > 0, "a late answer to the old request is nobody's"

    _on_session(tmp_path, work)


@pytest.mark.parametrize(
    "answer",
    [
        {"id": 1, "kind": "done", "body": {"a": 1}},
        {"id": 99, "kind": "done", "body": {}},
        {"id": "x", "kind": "done"},
        {"kind": "hello", "body": {}},
        {"id": 1, "kind": "what"},
        {},
    ],
)
def test_answers_that_nobody_asked_for_are_let_pass(answer: dict[str, Any], tmp_path: Path) -> None:
    """Twice, out of order, to nobody: only what was asked for and is still open is taken."""

    async def work(made: HostSession) -> None:
        await made.request("clock")
        for _ in range(3):
            made._channel._feed(encode(answer))
        assert (await made.request("clock"))["wall_ns"] > 0

    _on_session(tmp_path, work)


@pytest.mark.parametrize(
    "answer",
    [
        {"kind": "done"},
        {"kind": "done", "body": []},
        {"kind": "error"},
        {"kind": "error", "error": {"code": 1}},
        {"kind": "event", "body": 7},
    ],
)
def test_an_answer_that_is_not_of_its_shape_is_an_error_with_the_hosts_name(
    answer: dict[str, Any], tmp_path: Path
) -> None:
    async def work(made: HostSession) -> None:
        job = made.start("path.answer", _path_args(_free_port()), timeout_s=30)
        made._channel._feed(encode({"id": job.number, **answer}))
        with pytest.raises(HostError) as wrong:
            await job.result()
        assert wrong.value.code == "bad_answer"
        assert wrong.value.host == "box"

    _on_session(tmp_path, work)


def test_a_flood_of_events_is_an_error_and_not_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(session, "EVENTS_LIMIT", 100)

    async def work(made: HostSession) -> None:
        job = made.start("path.answer", _path_args(_free_port()), timeout_s=30)
        for _ in range(200):
            made._channel._feed(encode({"id": job.number, "kind": "event", "body": {}}))
        with pytest.raises(HostError) as flooded:
            await job.result()
        assert flooded.value.code == "too_much"

    _on_session(tmp_path, work)


def test_at_most_five_handshakes_go_to_one_address_at_a_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    running, most, real = 0, 0, asyncssh.connect

    async def counted(*args: Any, **words: Any) -> Any:
        nonlocal running, most
        running += 1
        most = max(most, running)
        try:
            return await real(*args, **words)
        finally:
            running -= 1

    monkeypatch.setattr(asyncssh, "connect", counted)

    async def run() -> int:
        async with local_server(tmp_path) as server:
            config = server.configuration(server.known_line())
            logins = await asyncio.gather(*(login.log_in(BOX, ssh_config=config) for _ in range(20)))
            await asyncio.gather(*(one.close() for one in logins))
            return len(logins)

    assert asyncio.run(run()) == 20
    assert most == 5


async def _code(config: str, host: Any = BOX, timeout_s: float = 3.0) -> str:
    try:
        await (await login.log_in(host, ssh_config=config, timeout_s=timeout_s)).close()
    except HostError as error:
        return error.code if error.next_step else "no way out"
    return ""


@pytest.mark.parametrize(
    ("where", "code"),
    [
        ("nobody listens", "refused"),
        ("never answers", "no_answer"),
        ("unknown name", "name_unknown"),
        ("no key of ours", "login_refused"),
        ("hangs up", "closed"),
        ("not SSH", "closed"),
    ],
)
def test_each_way_not_to_get_in_has_its_name(where: str, code: str, tmp_path: Path) -> None:
    async def run() -> str:
        async with local_server(tmp_path, allow_login=where != "no key of ours") as server:
            config = Path(server.configuration(server.known_line()))

            async def other(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
                if where == "not SSH":
                    writer.write(b"HTTP/1.1 400 Bad Request\r\n\r\n" * 40)
                    await writer.drain()
                if where == "never answers":
                    await reader.read()  # until the other end gives up
                writer.close()

            impostor = await asyncio.start_server(other, "127.0.0.1", 0)
            port = impostor.sockets[0].getsockname()[1]
            if where == "nobody listens":
                impostor.close()
            async with impostor:
                if where == "unknown name":
                    return await _code(str(config), replace(BOX, ssh="no-such-host.invalid"))
                if where != "no key of ours":
                    config.write_text(config.read_text().replace(f"Port {server.port}", f"Port {port}"))
                code = await _code(str(config))
                await asyncio.sleep(0.05)  # for the impostor to notice
                return code

    assert asyncio.run(run()) == code


def test_a_key_with_a_passphrase_is_named(tmp_path: Path) -> None:
    async def run() -> HostError:
        async with local_server(tmp_path) as server:
            config = server.configuration(server.known_line())
            subprocess.run(
                ["ssh-keygen", "-q", "-p", "-N", "secret", "-f", str(tmp_path / "user_key")], check=True, timeout=10
            )
            with pytest.raises(HostError) as refused:
                await login.log_in(BOX, ssh_config=config, timeout_s=5)
            return refused.value

    error = asyncio.run(run())
    assert error.code == "login_refused"
    assert "passphrase" in error.message
    assert "ssh-add" in error.next_step


@pytest.fixture
def agent(tmp_path: Path) -> Any:
    """An ssh-agent with a key that lies in no file."""
    with contextlib.suppress(FileNotFoundError):
        process = subprocess.Popen(["ssh-agent", "-D", "-a", str(tmp_path / "agent")], stdout=subprocess.DEVNULL)
        while not (tmp_path / "agent").exists():
            assert process.poll() is None
        key = asyncssh.generate_private_key("ssh-ed25519")
        key.write_private_key(tmp_path / "agents_key")
        (tmp_path / "agents_key").chmod(0o600)
        subprocess.run(
            ["ssh-add", "-q", str(tmp_path / "agents_key")],
            check=True,
            timeout=10,
            env={**os.environ, "SSH_AUTH_SOCK": str(tmp_path / "agent")},
        )
        (tmp_path / "agents_key").unlink()
        yield key
        process.kill()
        process.wait()
        return
    pytest.skip("ssh-agent is not installed here")


@pytest.mark.parametrize("only", ["", "  IdentitiesOnly yes\n"])
def test_a_key_that_only_an_agent_has_is_used(only: str, agent: asyncssh.SSHKey, tmp_path: Path) -> None:
    async def run() -> str:
        async with local_server(tmp_path, authorized=agent.export_public_key().decode()) as server:
            config = Path(server.configuration(server.known_line(), only))
            text = config.read_text().replace("IdentityAgent none", f"IdentityAgent {tmp_path}/agent")
            if only:  # the agent is asked for the named key alone, known by its public half
                agent.write_public_key(tmp_path / "named.pub")
                text = text.replace(f"IdentityFile {tmp_path}/user_key", f"IdentityFile {tmp_path}/named")
            config.write_text(text)
            return await _code(str(config))

    assert asyncio.run(run()) == ""


@pytest.mark.parametrize("named", [True, False])
def test_a_users_certificate_is_shown(named: bool, tmp_path: Path) -> None:
    """Named by CertificateFile, or lying beside the key as OpenSSH looks for it."""
    authority = asyncssh.generate_private_key("ssh-ed25519")

    async def run() -> str:
        line = f"cert-authority {authority.export_public_key().decode()}"
        async with local_server(tmp_path, authorized=line) as server:
            key = asyncssh.read_private_key(tmp_path / "user_key")
            certificate = authority.generate_user_certificate(key, "ann", principals=[os.environ.get("USER", "root")])
            certificate.write_certificate(tmp_path / ("named" if named else "user_key-cert.pub"))
            more = f"  CertificateFile {tmp_path}/named\n" if named else ""
            return await _code(server.configuration(server.known_line(), more))

    assert asyncio.run(run()) == ""


@pytest.mark.parametrize("trusted", [True, False])
def test_a_jump_host_is_gone_through_and_its_key_is_verified_too(trusted: bool, tmp_path: Path) -> None:
    (tmp_path / "jump").mkdir()
    (tmp_path / "box").mkdir()

    async def run() -> tuple[str, int]:
        async with local_server(tmp_path / "jump") as jump, local_server(tmp_path / "box") as box:
            config = Path(box.configuration(box.known_line(), "  ProxyJump jumper\n"))
            known = jump.known_line() if trusted else ""
            through = Path(jump.configuration(known)).read_text().replace("Host box", "Host jumper")
            config.write_text(config.read_text() + through)
            code = await _code(str(config))
            return code, box.handshakes

    assert asyncio.run(run()) == (("", 1) if trusted else ("host_key_unknown", 0))


def test_closing_ends_the_helper(tmp_path: Path) -> None:
    async def run() -> int:
        async with opened(tmp_path) as (_, made):
            return int(made.facts_of_start["pid"])

    pid = asyncio.run(run())
    for _ in range(500):
        if not started_ticks(pid):
            return
        time.sleep(0.01)
    pytest.fail("the helper outlived its session")


@pytest.mark.parametrize("place", ["take", "fail"])
def test_an_error_of_ours_while_an_answer_is_taken_is_told_once_as_ours_and_then_the_session_is_lost(
    place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """asyncssh, which calls us then, would take it for the end of the connection."""

    async def work(made: HostSession) -> None:
        def broken(*_: Any) -> None:
            raise KeyError("injected")

        with monkeypatch.context() as patch:
            patch.setattr(session.Job, place, broken)
            if place == "fail":  # met when the session ends
                job = made.start("facts")
                made._channel.exit_status_received(1)
                assert not job.done
                with pytest.raises(BugError) as found:
                    made.send({})
            else:
                with pytest.raises(BugError) as found:
                    await made.request("facts")
        assert isinstance(found.value.__cause__, KeyError)
        assert made.lost.is_set()
        with pytest.raises(HostError, match="the connection was lost"):
            await made.request("facts")

    _on_session(tmp_path, work)
