"""The guests' boot loader: which kernel, once or always, with which parameters; on real ext4 file systems, no guest."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from orchestrator.lab.guests.boot_choice import choose, content
from orchestrator.lab.guests.disk import READERS, Disk
from orchestrator.lab.guests.missing import missing_programs
from orchestrator.lab.places import SYSTEM_FOLDERS

OLD, NEW = "6.1.0-56-cloud-amd64", "6.12.117+deb12-cloud-amd64"

pytestmark = pytest.mark.skipif(bool(missing_programs({**READERS, "mke2fs": "e2fsprogs"})), reason="needs e2fsprogs")


@pytest.fixture
def disk(tmp_path: Path) -> Disk:
    boot = tmp_path / "root" / "boot"
    boot.mkdir(parents=True)
    for release in (OLD, NEW):
        (boot / f"vmlinuz-{release}").write_bytes(b"kernel")
    (boot / "choice").write_text(f"{OLD}\n")
    subprocess.run(
        ["mke2fs", "-q", "-t", "ext4", "-d", str(boot.parent), str(tmp_path / "disk"), "8M"],
        check=True,
        env={"PATH": SYSTEM_FOLDERS},
    )
    return Disk(tmp_path / "disk")


def test_the_chosen_kernel_boots_every_time(disk: Disk) -> None:
    assert [choose(disk).release for _ in range(2)] == [OLD, OLD]
    disk.write("/boot/choice", f"# was {OLD}\n\n  {NEW}  \n".encode())
    assert [choose(disk).release for _ in range(2)] == [NEW, NEW]


def test_a_choice_for_once_is_used_up_by_one_start(disk: Disk) -> None:
    disk.write("/boot/choice-once", f"{NEW}\n".encode())
    assert [choose(disk).release for _ in range(3)] == [NEW, OLD, OLD]
    assert disk.read("/boot/choice-once") is None
    assert disk.read("/boot/choice") == f"{OLD}\n".encode()


@pytest.mark.parametrize("text", [b"", b"6.99-nowhere\n", b"\xff\xfe\x00", b"../../etc/passwd\n"])
def test_a_choice_that_cannot_boot_falls_back_to_an_installed_kernel_and_says_so(disk: Disk, text: bytes) -> None:
    disk.write("/boot/choice", text)
    boot = choose(disk)
    assert boot.release == OLD
    assert "not installed" in boot.said
    disk.remove("/boot/choice")
    assert choose(disk).release == OLD


def test_lines_reach_the_command_line_in_order_without_comments(disk: Disk) -> None:
    bare = choose(disk).command_line
    disk.write("/boot/lines", b"# begin\nmitigations=off\n\n  nohz_full=1 isolcpus=1 \n# end\n")
    assert choose(disk).command_line == f"{bare} mitigations=off nohz_full=1 isolcpus=1"


def test_what_is_written_on_a_disk_is_read_back_and_owned_by_root_with_its_mode(disk: Disk) -> None:
    disk.write("/boot/secret", bytes(range(256)), 0o600)
    assert disk.read("/boot/secret") == bytes(range(256))
    stat = disk._debugfs("stat /boot/secret").stdout.decode()
    assert "Mode:  0600" in stat
    assert "User:     0" in stat


def test_a_line_without_content_is_no_content() -> None:
    assert content(b"# a\n \n b \n#c\nd") == ["b", "d"]
    assert content(None) == []
