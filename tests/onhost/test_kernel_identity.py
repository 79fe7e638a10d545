"""A kernel's identity from recorded trees of our own making, and on this machine against binutils."""

from __future__ import annotations

import hashlib
import struct
from pathlib import Path

import pytest

from orchestrator.onhost.survey.kernel_identity import build_id, read_kernel_identity
from orchestrator.onhost.survey.roots import Roots
from tests.onhost.test_survey import RELEASE, tree

CONFIGURATION = "CONFIG_NET=y\n"


def note(owner: bytes, kind: int, content: bytes) -> bytes:
    """One note as ELF lays it out: sizes, kind, then owner and content each padded to four bytes."""

    def padded(part: bytes) -> bytes:
        return part + b"\0" * (-len(part) % 4)

    return struct.pack("=III", len(owner), len(content), kind) + padded(owner) + padded(content)


OTHER, OURS = note(b"Linux\0", 0x101, b"\x05"), note(b"GNU\0", 3, bytes(range(20)))


def recorded(tmp_path: Path, **more: str) -> Roots:
    roots = tree(
        tmp_path,
        {
            "proc/sys/kernel/osrelease": f"{RELEASE}\n",
            "proc/sys/kernel/version": "#1 SMP Debian\n",
            "proc/modules": "tun 61440 0 - Live 0x0\ne1000 1 0 - Live 0x0\n",
            "sys/module/tun/srcversion": "ABCDEF\n",
            "proc/cmdline": "quiet root=PARTUUID=1234-5678 board.serial=00ff mitigations=off\n",
            f"boot/config-{RELEASE}": CONFIGURATION,
            **more,
        },
    )
    notes = tmp_path / "sys/module/e1000/notes"
    notes.mkdir(parents=True)
    (notes / ".note.gnu.build-id").write_bytes(note(b"GNU\0", 3, b"\xaa" * 20))
    (tmp_path / "sys/kernel").mkdir()
    (tmp_path / "sys/kernel/notes").write_bytes(OTHER + OURS)
    return roots


def test_a_build_is_named_by_release_version_its_own_id_and_its_configuration(tmp_path: Path) -> None:
    found = read_kernel_identity(recorded(tmp_path))
    assert (found["release"], found["build"]) == (RELEASE, "#1 SMP Debian")
    assert found["build_id"] == bytes(range(8)).hex()
    assert found["configuration_sha256"] == hashlib.sha256(CONFIGURATION.rstrip().encode()).hexdigest()


def test_modules_are_named_with_their_own_builds_and_fingerprinted(tmp_path: Path) -> None:
    found = read_kernel_identity(recorded(tmp_path / "one"))
    assert found["modules"] == ["e1000 aaaaaaaaaaaaaaaa", "tun ABCDEF"]
    other = read_kernel_identity(recorded(tmp_path / "other", **{"sys/module/tun/srcversion": "ABCDE0\n"}))
    assert other["modules_sha256"] != found["modules_sha256"]
    assert other["configuration_sha256"] == found["configuration_sha256"]


def test_boot_parameters_that_name_the_machine_are_hashed_and_others_kept(tmp_path: Path) -> None:
    told = read_kernel_identity(recorded(tmp_path))["boot_parameters"]
    assert told.startswith("quiet root=PARTUUID=")
    assert told.endswith(" mitigations=off")
    assert not any(secret in told for secret in ("1234-5678", "00ff"))


def test_a_host_that_tells_nothing_leaves_fields_empty(tmp_path: Path) -> None:
    found = read_kernel_identity(tree(tmp_path, {}))
    assert (found["build_id"], found["configuration_sha256"], found["modules"]) == ("", "", [])


@pytest.mark.parametrize("notes", [b"", b"\0" * 11, OTHER, OURS[:-4], b"\xff" * 64])
def test_notes_that_are_cut_or_hostile_hold_no_build_id(notes: bytes) -> None:
    assert build_id(notes) == ""


def test_this_kernels_own_answer_is_what_its_notes_begin_with() -> None:
    """The layout is that of the System V ABI, "Note Section"; uname(2) says the same release and build."""
    import os

    found = read_kernel_identity()
    assert (found["release"], found["build"]) == (os.uname().release, os.uname().version)
    if Path("/sys/kernel/notes").exists():
        assert bytes.fromhex(found["build_id"]) in Path("/sys/kernel/notes").read_bytes()
