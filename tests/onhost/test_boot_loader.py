"""GRUB's environment block, against GRUB's own tool where it is installed, and entries of its menu."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from orchestrator.onhost.at_start.boot_loader import entry_of, find, uses_up, with_next_entry

# As grub-mkconfig of Debian 12 writes it, shortened; from memory.
MENU = """
if [ "${next_entry}" ] ; then
   set default="${next_entry}"
fi
menuentry 'Debian GNU/Linux' --class debian $menuentry_id_option 'gnulinux-simple-1' {
\tlinux\t/boot/vmlinuz-6.12.9-dome root=UUID=1 ro quiet
}
submenu 'Advanced options for Debian GNU/Linux' $menuentry_id_option 'gnulinux-advanced-1' {
\tmenuentry 'Debian, with Linux 6.12.9-dome' $menuentry_id_option 'gnulinux-6.12.9-dome-advanced-1' {
\t\tlinux\t/boot/vmlinuz-6.12.9-dome root=UUID=1 ro quiet
\t}
\tmenuentry 'Debian, with Linux 6.1.0-dome (recovery mode)' $menuentry_id_option 'gnulinux-6.1.0-dome-recovery-1' {
\t\tlinux\t/boot/vmlinuz-6.1.0-dome root=UUID=1 ro single
\t}
\tmenuentry 'Debian, with Linux 6.1.0-dome' $menuentry_id_option 'gnulinux-6.1.0-dome-advanced-1' {
\t\tlinux\t/vmlinuz-6.1.0-dome root=UUID=1 ro quiet
\t}
}
menuentry 'Firmware' $menuentry_id_option 'uefi-firmware' {
}
"""
EMPTY = b"# GRUB Environment Block\n" + b"#" * 999


@pytest.mark.parametrize(
    ("release", "entry"),
    [
        ("6.12.9-dome", "gnulinux-simple-1"),
        ("6.1.0-dome", "gnulinux-advanced-1>gnulinux-6.1.0-dome-advanced-1"),
        ("6.1.0", ""),
        ("5.0", ""),
    ],
)
def test_a_release_is_found_in_the_menu_by_the_kernel_that_an_entry_starts(release: str, entry: str) -> None:
    assert entry_of(MENU, release) == entry


def test_the_block_keeps_its_size_and_what_else_it_holds() -> None:
    block = with_next_entry(with_next_entry(EMPTY, "one"), "two>three")
    assert len(block) == 1024
    assert block.startswith(b"# GRUB Environment Block\nnext_entry=two>three\n#")
    assert block.count(b"next_entry") == 1


def test_what_is_no_block_or_a_full_one_is_refused() -> None:
    for block in (b"", b"x" * 1024, EMPTY[:-1]):
        with pytest.raises(ValueError, match="no environment block"):
            with_next_entry(block, "one")
    with pytest.raises(ValueError, match="full"):
        with_next_entry(EMPTY, "x" * 1000)


def test_the_boot_loaders_own_tool_reads_the_block(tmp_path: Path) -> None:
    if shutil.which("grub-editenv") is None:
        assert os.environ.get("LINKTRIAL_REQUIRE_LAB") != "1", "tests/run.sh installs grub-editenv as root"
        pytest.skip("grub-editenv is not installed, and only root can install it")
    block = tmp_path / "grubenv"
    subprocess.run(["grub-editenv", str(block), "create"], check=True)
    subprocess.run(["grub-editenv", str(block), "set", "saved_entry=a"], check=True)
    block.write_bytes(with_next_entry(block.read_bytes(), "gnulinux-advanced-1>x"))
    listed = subprocess.run(["grub-editenv", str(block), "list"], check=True, capture_output=True, text=True).stdout
    assert listed.splitlines() == ["saved_entry=a", "next_entry=gnulinux-advanced-1>x"]
    subprocess.run(["grub-editenv", str(block), "unset", "next_entry"], check=True)
    assert b"next_entry" not in block.read_bytes()


def test_a_loader_that_does_not_know_a_choice_for_one_start_is_not_taken(tmp_path: Path) -> None:
    grub = tmp_path / "boot/grub"
    grub.mkdir(parents=True)
    (tmp_path / "proc/self").mkdir(parents=True)
    (tmp_path / "proc/self/mounts").write_text("/dev/sda1 / ext4 rw 0 0\n")
    (grub / "grubenv").write_bytes(EMPTY)
    (grub / "grub.cfg").write_text("menuentry 'x' {\n}\n")
    assert find(str(tmp_path)) == ("", "")
    (grub / "grub.cfg").write_text(MENU)
    assert find(str(tmp_path)) == ("/boot/grub/grubenv", "/boot/grub/grub.cfg")
    (tmp_path / "proc/self/mounts").write_text("/dev/mapper/dome-root / ext4 rw 0 0\n")
    assert find(str(tmp_path)) == ("", "")


@pytest.mark.parametrize(
    ("mounts", "can"),
    [
        ("/dev/sda1 / ext4 rw 0 0\n", True),
        ("/dev/md0 / ext4 rw 0 0\n", False),
        ("/dev/sda1 / btrfs rw 0 0\n", False),
        ("/dev/mapper/dome-root / ext4 rw 0 0\n/dev/sda1 /boot ext4 rw 0 0\n", True),
        ("/dev/sda1 / ext4 rw 0 0\ndome/boot /boot zfs rw 0 0\n/dev/sda2 /boot/gru vfat rw 0 0\n", False),
    ],
)
def test_a_choice_that_the_boot_loader_could_not_use_up_would_be_made_for_ever(mounts: str, can: bool) -> None:
    assert uses_up("/boot/grub/grubenv", mounts) == can
