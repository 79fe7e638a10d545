"""A key revocation list means to us what it means to OpenSSH: the referee is `ssh-keygen -Q` itself."""

from __future__ import annotations

import base64
import random
import shutil
import subprocess
from pathlib import Path

import asyncssh
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.act.revoked_keys import revoked_by

pytestmark = pytest.mark.skipif(shutil.which("ssh-keygen") is None, reason="the referee is not installed here")
KINDS = ("ssh-ed25519", "ecdsa-sha2-nistp256", "ssh-rsa")
AUTHORITIES = [asyncssh.generate_private_key("ssh-ed25519") for _ in range(2)]


def blob(line: bytes) -> bytes:
    """The wire form in a line of a public key file."""
    return base64.b64decode(line.split()[1])


def keygen(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["ssh-keygen", *map(str, arguments)], capture_output=True, text=True, check=False, timeout=30)


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Keys and certificates as files: plain ones, and signed by either authority with and without a number."""
    folder, draw, files = tmp_path_factory.mktemp("shown"), random.Random(5), []
    for number in range(12):
        key = asyncssh.generate_private_key(KINDS[number % 3])
        file = folder / f"key{number}.pub"
        line = key.export_public_key()
        if number % 4:
            line = (
                AUTHORITIES[number % 2]
                .generate_host_certificate(
                    key, f"host{number}", principals=["x"], serial=draw.choice([0, 7, 70, number])
                )
                .export_certificate()
            )
        file.write_bytes(line)
        files.append(file)
    for number, authority in enumerate(AUTHORITIES):
        (folder / f"authority{number}").write_bytes(authority.export_public_key())
    return files


SPECIFICATION = st.one_of(
    st.integers(0, 80).map(lambda n: f"serial: {n}"),
    st.tuples(st.integers(1, 80), st.integers(1, 80)).map(lambda two: f"serial: {two[0]}-{two[0] + two[1]}"),
    st.integers(0, 11).map(lambda n: f"id: host{n}"),
    st.integers(0, 11).map(lambda n: f"key: {n}"),
    st.integers(0, 11).map(lambda n: f"sha1: {n}"),
    st.integers(0, 11).map(lambda n: f"sha256: {n}"),
)


@settings(max_examples=15, deadline=None)
@given(wanted=st.lists(SPECIFICATION, min_size=1, max_size=6), authority=st.sampled_from(["0", "1", "none"]))
def test_a_revocation_list_means_what_it_means_to_openssh(shown, tmp_path_factory, wanted, authority):
    folder = tmp_path_factory.mktemp("list")
    lines = []
    for line in wanted:
        word, value = line.split(": ")
        if word in ("key", "sha1", "sha256"):
            kind, text = shown[int(value)].read_text().split()[:2]
            if "cert" in kind:
                continue
            value = f"{kind} {text}"
        elif word == "serial" and value == "0":
            continue
        lines.append(f"{word}: {value}\n")
    (folder / "specification").write_text("".join(lines))
    signed_by = "none" if authority == "none" else shown[0].parent / f"authority{authority}"
    made = keygen("-k", "-f", folder / "list", "-s", signed_by, folder / "specification")
    assert made.returncode == 0, made.stderr
    for file in shown:
        theirs = keygen("-Q", "-f", folder / "list", file).returncode != 0
        assert bool(revoked_by([folder / "list"], blob(file.read_bytes()))) == theirs, (lines, file.read_text())


@pytest.mark.parametrize("whole", [True, False])
def test_a_certificate_revoked_whole_is_refused_and_another_of_the_same_authority_is_not(shown, tmp_path, whole):
    certificates = [file for file in shown if b"cert" in file.read_bytes()]
    target = certificates[0] if whole else shown[0]
    made = keygen("-k", "-f", tmp_path / "list", "-s", shown[0].parent / "authority0", target)
    assert made.returncode == 0, made.stderr
    for file in shown:
        theirs = keygen("-Q", "-f", tmp_path / "list", file).returncode != 0
        assert bool(revoked_by([tmp_path / "list"], blob(file.read_bytes()))) == theirs


@settings(max_examples=300, deadline=None)
@given(data=st.binary(max_size=200), tail=st.integers(0, 200))
def test_a_spoiled_list_revokes_everybody_and_never_raises(shown, tmp_path_factory, data, tail):
    file = tmp_path_factory.getbasetemp() / "spoiled"
    file.write_bytes(b"SSHKRL\n\x00" + b"\0\0\0\1" + b"\0" * tail + data)
    key = blob(shown[0].read_bytes())
    assert isinstance(revoked_by([file], key), str)
    file.write_bytes(b"SSHKRL\n\x00" + data[:3])
    assert revoked_by([file], key)


@settings(max_examples=300, deadline=None)
@given(key=st.binary(max_size=300))
def test_what_a_host_shows_may_be_any_bytes(shown, tmp_path_factory, key):
    file = tmp_path_factory.getbasetemp() / "plain-list"
    file.write_bytes(shown[0].read_bytes())
    assert isinstance(revoked_by([file], key), str)
