"""The user's SSH configuration for one host, as OpenSSH itself resolves it; one that trusts anybody is refused.

Where the program `ssh` is present it is asked (`ssh -G`), so that Include, Match and canonical names mean what the
user is used to. Without it, asyncssh's reader is asked for the same few keys and no others.
"""

from __future__ import annotations

import asyncio
import getpass
import os
import re
import shlex
import shutil
import socket
from dataclasses import dataclass
from pathlib import Path

from asyncssh.config import ConfigParseError, SSHClientConfig, SSHConfig

from orchestrator.act.addresses import HostAddress
from orchestrator.faults import HostError

ASK_TIMEOUT_S = 15.0  # a `Match exec` of the user's may take its time
ANSWER_LIMIT_BYTES = 256 * 1024
_SAFE_WORD = re.compile(r"(?!-)[^\s\x00-\x1f\x7f]{1,255}")
_OFF = {"no", "off", "false"}
_NOWHERE = {"none", "/dev/null"}
_DEFAULT_IDENTITIES = (
    "~/.ssh/id_ed25519",
    "~/.ssh/id_ecdsa",
    "~/.ssh/id_rsa",
    "~/.ssh/id_ed25519_sk",
    "~/.ssh/id_ecdsa_sk",
)
_DEFAULT_KNOWN = ("~/.ssh/known_hosts", "~/.ssh/known_hosts2")
_DEFAULT_KNOWN_GLOBALLY = ("/etc/ssh/ssh_known_hosts", "/etc/ssh/ssh_known_hosts2")


@dataclass(frozen=True)
class SshRoute:
    """Where to connect and with what; one hop."""

    hostname: str
    user: str
    port: int
    identity_files: tuple[Path, ...]
    certificate_files: tuple[Path, ...]
    identity_agent: str  # a socket's path; "" for no agent
    identities_only: bool
    jumps: tuple[str, ...]  # as written in ProxyJump, the first one first
    known_hosts_files: tuple[Path, ...]
    host_key_alias: str
    hash_names: bool = False  # HashKnownHosts: new lines hide the host's name
    revoked_files: tuple[Path, ...] = ()  # RevokedHostKeys: keys that no host may show


def parse_answer(text: str) -> dict[str, list[str]]:
    """What `ssh -G` prints, by key in small letters; a key given several times has several values."""
    values: dict[str, list[str]] = {}
    for line in text.splitlines():
        key, _, value = line.strip().partition(" ")
        if key:
            values.setdefault(key.lower(), []).append(value.strip())
    return values


async def resolve(address: HostAddress, config_file: str | None = None) -> SshRoute:
    """The route to a host of the plan. HostError when there is none, or when it would trust anybody."""
    for what, word in (("name", address.ssh), ("user", address.user or "x")):
        if not _SAFE_WORD.fullmatch(word):
            raise HostError("ssh_name", f"{word!r} cannot be the {what} of an SSH connection", host=address.name)
    program = shutil.which("ssh")
    values = await _ask_ssh(program, address, config_file) if program else _ask_asyncssh(address, config_file)
    return interpret(values, address)


def interpret(values: dict[str, list[str]], address: HostAddress) -> SshRoute:
    """The route in the resolved values. Pure but for the names of user and machine that tokens stand for."""

    def last(key: str, default: str = "") -> str:
        return values.get(key, [default])[0]

    _refuse_unchecked(values, address)
    hostname, user = last("hostname", address.ssh), last("user") or address.user or getpass.getuser()
    port = int(last("port", str(address.port or 22)))
    tokens = _tokens(hostname, user, port, address.ssh)

    def paths(words: list[str]) -> tuple[Path, ...]:
        return tuple(Path(_expand(word, tokens)).expanduser() for word in words if word.lower() not in _NOWHERE)

    if last("proxycommand", "none") != "none":
        raise HostError(
            "proxy_command",
            f"the SSH configuration reaches {address.ssh} through a ProxyCommand, which linktrial does not run",
            host=address.name,
            next_step=f"use ProxyJump for {address.ssh} in the SSH configuration",
        )
    known = _words(values.get("userknownhostsfile", [])) + _words(values.get("globalknownhostsfile", []))
    jump = last("proxyjump", "none")
    return SshRoute(
        hostname,
        user,
        port,
        identity_files=paths(values.get("identityfile", [])),
        certificate_files=paths(values.get("certificatefile", [])),
        identity_agent=_agent(last("identityagent", "SSH_AUTH_SOCK"), tokens),
        identities_only=last("identitiesonly") == "yes",
        jumps=() if jump == "none" else tuple(jump.split(",")),
        known_hosts_files=paths(known),
        host_key_alias="" if last("hostkeyalias") == "none" else last("hostkeyalias"),
        hash_names=last("hashknownhosts") == "yes",
        revoked_files=paths(_words(values.get("revokedhostkeys", []))),
    )


def jump_address(jump: str, via: HostAddress) -> HostAddress:
    """One entry of ProxyJump, `[user@]host[:port]` or an ssh:// address, as a host of its own."""
    found = re.fullmatch(r"(?:ssh://)?(?:(?P<user>[^@]+)@)?(?P<host>\[[^\]]+\]|[^:@]+)(?::(?P<port>\d+))?/?", jump)
    if found is None:
        raise HostError("proxy_jump", f"ProxyJump {jump!r} cannot be read", host=via.name)
    port = int(found["port"]) if found["port"] else None
    return HostAddress(via.name, found["host"].strip("[]"), found["user"], port, "none")


def _refuse_unchecked(values: dict[str, list[str]], address: HostAddress) -> None:
    checking = values.get("stricthostkeychecking", ["ask"])[0].lower()
    files = _words(values.get("userknownhostsfile", []))
    if checking in _OFF:
        reason = f"StrictHostKeyChecking is {checking}"
    elif files and all(name.lower() in _NOWHERE for name in files):
        reason = f"UserKnownHostsFile is {' '.join(files)}"
    else:
        return
    raise HostError(
        "host_key_checking_off",
        f"the SSH configuration for {address.ssh} accepts any host key ({reason}); linktrial changes hosts as root "
        "and has to know which",
        host=address.name,
        next_step=f"remove that line for {address.ssh}, or give linktrial another file with --ssh-config, "
        f"then: linktrial trust {shlex.quote(address.ssh)}",
    )


async def _ask_ssh(program: str, address: HostAddress, config_file: str | None) -> dict[str, list[str]]:
    words = [program, "-G"]
    for flag, value in (("-F", config_file), ("-l", address.user), ("-p", address.port)):
        words += [flag, str(value)] if value is not None else []
    process = await asyncio.create_subprocess_exec(
        *words,
        "--",
        address.ssh,
        stdin=asyncio.subprocess.DEVNULL,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.PIPE,
    )
    try:
        answer, complaint = await asyncio.wait_for(process.communicate(), ASK_TIMEOUT_S)
    except TimeoutError:
        process.kill()
        await process.wait()
        raise HostError(
            "ssh_config", f"ssh -G {address.ssh} did not answer within {ASK_TIMEOUT_S:g} s", host=address.name
        ) from None
    if process.returncode != 0 or len(answer) > ANSWER_LIMIT_BYTES:
        raise HostError(
            "ssh_config",
            f"the SSH configuration for {address.ssh} cannot be used: "
            f"{complaint.decode(errors='replace').strip()[:500]}",
            host=address.name,
        )
    return parse_answer(answer.decode("utf-8", errors="replace"))


class _Reader(SSHClientConfig):
    """asyncssh's reader, which otherwise does not look at these keys."""

    _handlers = {  # noqa: RUF012 - as in its parent
        **SSHClientConfig._handlers,
        "stricthostkeychecking": ("StrictHostKeyChecking", SSHConfig._set_string),
        "revokedhostkeys": ("RevokedHostKeys", SSHConfig._set_string),
    }


def _ask_asyncssh(address: HostAddress, config_file: str | None) -> dict[str, list[str]]:
    files = [Path(config_file)] if config_file else [Path("~/.ssh/config").expanduser(), Path("/etc/ssh/ssh_config")]
    try:
        found = _Reader.load(
            None,
            [file for file in files if config_file or file.is_file()],
            False,
            False,
            False,
            getpass.getuser(),
            address.user or (),
            address.ssh,
            address.port or (),
        )
    except (ConfigParseError, OSError) as error:
        raise HostError("ssh_config", f"the SSH configuration cannot be read: {error}", host=address.name) from error

    def many(key: str, default: tuple[str, ...] = ()) -> list[str]:
        value = found.get(key)
        if value is None:
            return list(default)
        return [str(one) for one in value] if isinstance(value, list) else [str(value)]

    values = {
        key.lower(): many(key)
        for key in (
            "User",
            "Port",
            "CertificateFile",
            "IdentityAgent",
            "ProxyJump",
            "ProxyCommand",
            "HostKeyAlias",
            "StrictHostKeyChecking",
            "RevokedHostKeys",
        )
    }
    values |= {
        "hostname": many("Hostname", (address.ssh,)),
        "identityfile": many("IdentityFile", _DEFAULT_IDENTITIES),
        "identitiesonly": ["yes" if found.get("IdentitiesOnly") else "no"],
    }
    for key, default in (("UserKnownHostsFile", _DEFAULT_KNOWN), ("GlobalKnownHostsFile", _DEFAULT_KNOWN_GLOBALLY)):
        # asyncssh reads "none" as an empty list, which to it means: trust anybody
        values[key.lower()] = [shlex.join(many(key, default)) or "none"]
    return {key: value for key, value in values.items() if value}


def _words(lines: list[str]) -> list[str]:
    found: list[str] = []
    for line in lines:
        try:
            found += shlex.split(line)
        except ValueError:
            found += line.split()
    return found


def _tokens(hostname: str, user: str, port: int, asked: str) -> dict[str, str]:
    """The %-tokens of ssh_config(5) that can stand in a file's name."""
    here = socket.gethostname()
    return {
        "%": "%",
        "d": str(Path.home()),
        "h": hostname,
        "i": str(os.getuid()),
        "k": asked,
        "L": here.split(".")[0],
        "l": here,
        "n": asked,
        "p": str(port),
        "r": user,
        "u": getpass.getuser(),
    }


def _expand(word: str, tokens: dict[str, str]) -> str:
    word = re.sub(r"%(.)", lambda found: tokens.get(found[1], found[0]), word)
    return re.sub(r"\$\{(\w+)\}", lambda found: os.environ.get(found[1], ""), word)


def _agent(word: str, tokens: dict[str, str]) -> str:
    if word.lower() == "none":
        return ""
    if word == "SSH_AUTH_SOCK":
        return os.environ.get("SSH_AUTH_SOCK", "")
    if word.startswith("$") and not word.startswith("${"):
        return os.environ.get(word[1:], "")
    return str(Path(_expand(word, tokens)).expanduser())
