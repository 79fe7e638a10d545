"""The user's SSH configuration means to us what it means to OpenSSH; what cannot be followed is said."""

from __future__ import annotations

import asyncio
import shutil
from pathlib import Path

import pytest

from orchestrator.act import ssh_config
from orchestrator.act.addresses import HostAddress
from orchestrator.act.ssh_config import SshRoute, interpret, jump_address, parse_answer, resolve
from orchestrator.faults import HostError

BOX = HostAddress("dome", "box")


@pytest.fixture(params=["ssh -G", "asyncssh"])
def reader(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Both ways of reading a configuration must come to the same route."""
    if request.param == "asyncssh":
        monkeypatch.setattr(shutil, "which", lambda name: None)
    elif shutil.which("ssh") is None:
        pytest.skip("the program ssh is not installed here")
    return str(request.param)


def _route(folder: Path, text: str, host: HostAddress = BOX) -> SshRoute:
    (folder / "config").write_text(text)
    return asyncio.run(resolve(host, str(folder / "config")))


def test_name_user_port_key_and_jump_are_the_configurations(reader: str, tmp_path: Path) -> None:
    route = _route(
        tmp_path,
        f"""
Host box
  HostName dome.obs.example
  User astronomer
  Port 2222
  IdentityFile {tmp_path}/key_%r_%p
  CertificateFile {tmp_path}/cert
  IdentityAgent {tmp_path}/agent
  IdentitiesOnly yes
  ProxyJump first.example,second@jump.example:2022
  HostKeyAlias the-dome
  UserKnownHostsFile {tmp_path}/one {tmp_path}/two
  GlobalKnownHostsFile /dev/null
  RevokedHostKeys {tmp_path}/revoked
""",
    )
    assert route.revoked_files == (tmp_path / "revoked",)
    assert (route.hostname, route.user, route.port) == ("dome.obs.example", "astronomer", 2222)
    assert route.identity_files == (tmp_path / "key_astronomer_2222",)
    assert route.certificate_files == (tmp_path / "cert",)
    assert route.identity_agent == str(tmp_path / "agent")
    assert route.identities_only
    assert route.jumps == ("first.example", "second@jump.example:2022")
    assert route.host_key_alias == "the-dome"
    assert route.known_hosts_files == (tmp_path / "one", tmp_path / "two")


def test_the_plans_user_and_port_win_over_the_configuration(reader: str, tmp_path: Path) -> None:
    route = _route(tmp_path, "Host *\n  User nobody\n  Port 99\n", HostAddress("dome", "box", "bench", 2200))
    assert (route.hostname, route.user, route.port) == ("box", "bench", 2200)


def test_a_match_on_the_plans_user_is_seen(reader: str, tmp_path: Path) -> None:
    text = "Match user bench\n  Port 2200\nHost *\n  Port 99\n"
    assert _route(tmp_path, text, HostAddress("dome", "box", "bench")).port == 2200


@pytest.mark.parametrize(
    "line",
    [
        "StrictHostKeyChecking no",
        "StrictHostKeyChecking off",
        "UserKnownHostsFile none",
        "UserKnownHostsFile /dev/null",
    ],
)
def test_a_configuration_that_trusts_anybody_is_refused_with_its_line(reader: str, line: str, tmp_path: Path) -> None:
    with pytest.raises(HostError) as refused:
        _route(tmp_path, f"Host box\n  {line}\n")
    assert refused.value.code == "host_key_checking_off"
    assert line.split(maxsplit=1)[0] in refused.value.message
    assert "box" in refused.value.next_step


def test_switched_off_for_another_host_is_no_matter(reader: str, tmp_path: Path) -> None:
    assert _route(tmp_path, "Host other\n  StrictHostKeyChecking no\n").hostname == "box"


def test_a_proxy_command_is_refused_with_the_way_out(reader: str, tmp_path: Path) -> None:
    with pytest.raises(HostError) as refused:
        _route(tmp_path, "Host box\n  ProxyCommand nc %h %p\n")
    assert refused.value.code == "proxy_command"
    assert "ProxyJump" in refused.value.next_step


def test_a_broken_configuration_is_named(reader: str, tmp_path: Path) -> None:
    with pytest.raises(HostError) as refused:
        _route(tmp_path, "Host box\n  Port many\n")
    assert refused.value.code == "ssh_config"


@pytest.mark.parametrize("name", ["-oProxyCommand=touch /tmp/x", "a b", "", "a\nb", "-F"])
def test_a_name_that_could_be_an_option_never_reaches_a_program(name: str, tmp_path: Path) -> None:
    with pytest.raises(HostError) as refused:
        asyncio.run(resolve(HostAddress("dome", name), None))
    assert refused.value.code == "ssh_name"
    with pytest.raises(HostError):
        asyncio.run(resolve(HostAddress("dome", "box", user=name or "-"), None))


@pytest.mark.parametrize(
    ("written", "user", "host", "port"),
    [
        ("jump.example", None, "jump.example", None),
        ("a@jump", "a", "jump", None),
        ("a@jump:22", "a", "jump", 22),
        ("[2001:2::1]:2022", None, "2001:2::1", 2022),
        ("ssh://a@jump:2022", "a", "jump", 2022),
    ],
)
def test_an_entry_of_proxy_jump_is_read_as_openssh_reads_it(
    written: str, user: str | None, host: str, port: int | None
) -> None:
    found = jump_address(written, BOX)
    assert (found.user, found.ssh, found.port) == (user, host, port)


def test_the_answer_of_ssh_is_read_key_by_key() -> None:
    values = parse_answer("hostname x\nidentityfile ~/a\nidentityfile ~/b\nProxyJump none\n\n")
    assert values == {"hostname": ["x"], "identityfile": ["~/a", "~/b"], "proxyjump": ["none"]}
    assert interpret(values, BOX).identity_files == (Path.home() / "a", Path.home() / "b")


def test_an_agent_named_by_a_variable_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MY_AGENT", "/tmp/agent.sock")
    monkeypatch.setenv("SSH_AUTH_SOCK", "/tmp/default.sock")
    agents = [
        interpret({"identityagent": [word]}, BOX).identity_agent
        for word in ("$MY_AGENT", "${MY_AGENT}", "SSH_AUTH_SOCK", "none")
    ]
    assert agents == ["/tmp/agent.sock", "/tmp/agent.sock", "/tmp/default.sock", ""]


def test_a_configuration_program_that_hangs_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = tmp_path / "ssh"
    program.write_text("#!/bin/sh\nexec sleep 60\n")
    program.chmod(0o755)
    monkeypatch.setattr(shutil, "which", lambda name: str(program))
    monkeypatch.setattr(ssh_config, "ASK_TIMEOUT_S", 0.2)
    with pytest.raises(HostError) as refused:
        asyncio.run(resolve(BOX, None))
    assert refused.value.code == "ssh_config"
