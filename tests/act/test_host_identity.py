"""Which host keys are accepted: each row against a real handshake; the reasons are told apart.

The rows are those of OpenSSH's own promises (sshd(8), SSH_KNOWN_HOSTS FILE FORMAT; ssh_config(5), HostKeyAlias) and
of what asyncssh was seen to do when it is given None, an empty list or an empty file.
"""

from __future__ import annotations

import ast
import asyncio
import atexit
import base64
import hashlib
import hmac
import importlib.resources
import os
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import asyncssh
import pytest

from orchestrator.act.host_keys import Entry, fingerprint, parse_known_hosts
from orchestrator.act.login import log_in
from orchestrator.faults import HostError
from tests.act.local_server import BOX, LocalServer, local_server

OURS = asyncssh.generate_private_key("ssh-ed25519")
OTHER = asyncssh.generate_private_key("ssh-ed25519")
SECOND = asyncssh.generate_private_key("ecdsa-sha2-nistp256")
AUTHORITY = asyncssh.generate_private_key("ssh-ed25519")


def _hashed(server: LocalServer) -> str:
    name, salt = f"[127.0.0.1]:{server.port}", os.urandom(20)
    digest = hmac.new(salt, name.encode(), hashlib.sha1).digest()
    return server.known_line(OURS, f"|1|{base64.b64encode(salt).decode()}|{base64.b64encode(digest).decode()}")


def _certificate(principal: str = "127.0.0.1", valid_before: int | str = "+1h") -> asyncssh.SSHCertificate:
    return AUTHORITY.generate_host_certificate(OURS, "dome", principals=[principal], valid_before=valid_before)


def _revoking(content: bytes) -> str:
    """A configuration line that names a file with this content."""
    with tempfile.NamedTemporaryFile(prefix="linktrial-revoked-", delete=False) as file:
        file.write(content)
    atexit.register(Path(file.name).unlink)
    return f"  RevokedHostKeys {file.name}\n"


# name, known-hosts lines, the code of the refusal or "" for accepted, certificates shown, more configuration
Row = tuple[str, Callable[[LocalServer], str], str, list[asyncssh.SSHCertificate], str]
ROWS: list[Row] = [
    ("no known-hosts file", lambda _: "", "host_key_unknown", [], ""),
    ("the right key", lambda s: s.known_line(OURS), "", [], ""),
    ("another key", lambda s: s.known_line(OTHER), "host_key_changed", [], ""),
    ("another key of another kind", lambda s: s.known_line(SECOND), "host_key_changed", [], ""),
    ("a key of another host only", lambda s: s.known_line(OURS, "hall"), "host_key_unknown", [], ""),
    (
        "two hosts' keys swapped",
        lambda s: s.known_line(OTHER) + s.known_line(OURS, "hall"),
        "host_key_changed",
        [],
        "",
    ),
    ("revoked", lambda s: s.known_line(OURS) + s.known_line(OURS, "*", "@revoked"), "host_key_revoked", [], ""),
    ("rotated: old and new are known", lambda s: s.known_line(OTHER) + s.known_line(OURS), "", [], ""),
    ("a hashed name", _hashed, "", [], ""),
    ("the port form is another's, the plain name is known", lambda s: s.known_line(OURS, "127.0.0.1"), "", [], ""),
    (
        "the port form wins over the plain name",
        lambda s: s.known_line(OTHER) + s.known_line(OURS, "127.0.0.1"),
        "host_key_changed",
        [],
        "",
    ),
    (
        "signed by a known authority",
        lambda s: s.known_line(AUTHORITY, marker="@cert-authority"),
        "",
        [_certificate()],
        "",
    ),
    (
        "signed by an unknown authority",
        lambda s: s.known_line(OTHER, marker="@cert-authority"),
        "host_key_changed",
        [_certificate()],
        "",
    ),
    (
        "a certificate for another name",
        lambda s: s.known_line(AUTHORITY, marker="@cert-authority"),
        "host_key_invalid",
        [_certificate("hall")],
        "",
    ),
    (
        "an authority that was revoked",
        lambda s: s.known_line(AUTHORITY, marker="@cert-authority") + s.known_line(AUTHORITY, "*", "@revoked"),
        "host_key_revoked",
        [_certificate()],
        "",
    ),
    ("known by its alias", lambda s: s.known_line(OURS, "dome"), "", [], "  HostKeyAlias dome\n"),
    ("the alias alone counts", lambda s: s.known_line(OURS), "host_key_unknown", [], "  HostKeyAlias dome\n"),
    (
        "a negated pattern",
        lambda s: s.known_line(OURS, f"[127.0.0.1]:*,![127.0.0.1]:{s.port}"),
        "host_key_unknown",
        [],
        "",
    ),
    (
        "lines that cannot be read are passed over",
        lambda s: "rubbish\n@what x y z\n|1|no|no| ssh-ed25519 AAAA\n" + s.known_line(OURS),
        "",
        [],
        "",
    ),
    (
        "checking switched off",
        lambda s: s.known_line(OURS),
        "host_key_checking_off",
        [],
        "  StrictHostKeyChecking no\n",
    ),
    (
        "checking off by another word",
        lambda s: s.known_line(OURS),
        "host_key_checking_off",
        [],
        "  StrictHostKeyChecking off\n",
    ),
    (
        "new keys taken unseen are not taken by us",
        lambda _: "",
        "host_key_unknown",
        [],
        "  StrictHostKeyChecking accept-new\n",
    ),
    (
        "revoked by a list of keys",
        lambda s: s.known_line(OURS),
        "host_key_revoked",
        [],
        _revoking(OURS.export_public_key()),
    ),
    ("a list that revokes another", lambda s: s.known_line(OURS), "", [], _revoking(OTHER.export_public_key())),
    (
        "a revoked key that is not known either",
        lambda _: "",
        "host_key_revoked",
        [],
        _revoking(OURS.export_public_key()),
    ),
    (
        "an authority revoked by a list of keys",
        lambda s: s.known_line(AUTHORITY, marker="@cert-authority"),
        "host_key_revoked",
        [_certificate()],
        _revoking(AUTHORITY.export_public_key()),
    ),
    (
        "a certificate's key revoked by a list of keys",
        lambda s: s.known_line(AUTHORITY, marker="@cert-authority"),
        "host_key_revoked",
        [_certificate()],
        _revoking(OURS.export_public_key()),
    ),
    (
        "a list that is not there revokes everybody",
        lambda s: s.known_line(OURS),
        "host_key_revoked",
        [],
        "  RevokedHostKeys /nowhere/revoked\n",
    ),
    (
        "a list that cannot be understood revokes everybody",
        lambda s: s.known_line(OURS),
        "host_key_revoked",
        [],
        _revoking(b"SSHKRL\n\0rubbish"),
    ),
    ("no list", lambda s: s.known_line(OURS), "", [], "  RevokedHostKeys none\n"),
    (
        "known by its alias in a Match",
        lambda s: s.known_line(OURS, "dome"),
        "",
        [],
        "Match originalhost box\n  HostKeyAlias dome\n",
    ),
    (
        "a list named in a Match",
        lambda s: s.known_line(OURS),
        "host_key_revoked",
        [],
        "Match originalhost box\n  RevokedHostKeys /nowhere/revoked\n",
    ),
    (
        "a Match for another is no matter",
        lambda s: s.known_line(OURS),
        "",
        [],
        "Match originalhost other\n  RevokedHostKeys /nowhere/revoked\n",
    ),
]


@pytest.mark.parametrize("row", ROWS, ids=[row[0] for row in ROWS])
def test_host_key_row(row: Row, tmp_path: Path) -> None:
    _, lines, code, certificates, more = row

    async def work() -> str:
        async with local_server(tmp_path, keys=[OURS], certificates=certificates) as server:
            config = server.configuration(lines(server), more)
            try:
                await (await log_in(BOX, ssh_config=config, timeout_s=5)).close()
            except HostError as error:
                return error.code if error.next_step else "a refusal without a way out"
            return ""

    assert asyncio.run(work()) == code


@pytest.mark.parametrize("place", ["none", "/dev/null"])
def test_a_configuration_that_forgets_keys_is_refused(place: str, tmp_path: Path) -> None:
    async def work() -> HostError:
        async with local_server(tmp_path, keys=[OURS]) as server:
            config = Path(server.configuration(server.known_line()))
            config.write_text(config.read_text().replace(f"{tmp_path}/known_hosts", place))
            with pytest.raises(HostError) as refused:
                await log_in(BOX, ssh_config=str(config), timeout_s=5)
            return refused.value

    error = asyncio.run(work())
    assert error.code == "host_key_checking_off"
    assert "UserKnownHostsFile" in error.message


@pytest.mark.parametrize(("pinned", "code"), [(OURS, ""), (OTHER, "host_key_changed")])
def test_a_key_pinned_by_the_plan_is_the_only_one_trusted(pinned: asyncssh.SSHKey, code: str, tmp_path: Path) -> None:
    """Whatever the files say: they know the right key here in both cases."""
    host = replace(BOX, host_key=pinned.export_public_key().decode())

    async def work() -> str:
        async with local_server(tmp_path, keys=[OURS]) as server:
            try:
                await (await log_in(host, ssh_config=server.configuration(server.known_line()), timeout_s=5)).close()
            except HostError as error:
                return error.code
            return ""

    assert asyncio.run(work()) == code


def test_a_changed_key_is_told_with_both_fingerprints_and_the_line(tmp_path: Path) -> None:
    async def work() -> HostError:
        async with local_server(tmp_path, keys=[OURS]) as server:
            with pytest.raises(HostError) as refused:
                await log_in(BOX, ssh_config=server.configuration(server.known_line(OTHER)), timeout_s=5)
            return refused.value

    error = asyncio.run(work())
    assert error.values["shown"] == fingerprint(OURS)
    assert error.values["known"] == [fingerprint(OTHER)]
    assert error.values["places"] == [f"{tmp_path}/known_hosts:1"]


def test_an_unknown_key_is_shown_with_the_command_that_trusts_it(tmp_path: Path) -> None:
    async def work() -> HostError:
        async with local_server(tmp_path, keys=[OURS]) as server:
            with pytest.raises(HostError) as refused:
                await log_in(BOX, ssh_config=server.configuration(""), timeout_s=5)
            return refused.value

    error = asyncio.run(work())
    assert fingerprint(OURS) in error.message
    assert "linktrial trust box" in error.next_step


CONNECTING = {
    f"asyncssh.{name}"
    for name in (
        "connect",
        "create_connection",
        "connect_reverse",
        "run_client",
        "scp",
        "get_server_host_key",
        "get_server_auth_methods",
        "SSHClientConnection",
    )
}


def test_no_call_in_the_tree_lets_asyncssh_trust_anybody() -> None:
    """`known_hosts=None`, an empty list and empty bytes mean "anybody" or "the default file" to asyncssh."""
    calls = 0
    package = Path(str(importlib.resources.files("orchestrator")))
    for file in package.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in CONNECTING:
                calls += 1
                given = {word.arg: ast.unparse(word.value) for word in node.keywords}
                assert given.get("config") == "None", f"{file}:{node.lineno} reads the user's configuration by itself"
                assert given.get("known_hosts", "None") not in ("None", "[]", "b''", "()"), f"{file}:{node.lineno}"
    assert calls > 0, "the test looks for the wrong name"


def test_a_port_form_pattern_is_not_a_character_class() -> None:
    key = OURS.export_public_key().decode()
    (entry,) = parse_known_hosts(f"[dome]:2222 {key}", "file")
    assert entry.matches("[dome]:2222")
    assert not entry.matches("d:2222")
    assert isinstance(entry, Entry)
