"""The environment block of GRUB 2, in which one entry can be chosen for the next start alone. Pure but for `find`.

Format: GNU GRUB manual, "The GRUB environment block": 1024 bytes, a first line of its own, `name=value` lines, filled
with `#`. Menu entries are named by their ids, those in a submenu as `submenu>entry` (the manual, grub-reboot).
"""

from __future__ import annotations

import os
import re
from typing import List, Tuple

_HEAD = b"# GRUB Environment Block\n"
_BYTES = 1024
_PLACES = ("/boot/grub", "/boot/grub2")
_ONCE = b"next_entry="
_ENTRY = re.compile(r"^(\s*)(menuentry|submenu)\b.*?(?:\$menuentry_id_option|--id[ =])\s*'([^']+)'")
_LINUX = re.compile(r"^\s*linux(?:efi|16)?\s+(\S+)")


_MAY_NOT_WRITE = ("btrfs", "zfs", "squashfs", "iso9660")
_NO_PLAIN_DISK = ("/dev/mapper/", "/dev/dm-", "/dev/md")


def find(root: str = "") -> Tuple[str, str]:
    """(environment block, menu) of this host; empty when it has none that knows a choice for one start."""
    with open(f"{root}/proc/self/mounts", encoding="utf-8", errors="surrogateescape") as handle:
        mounts = handle.read()
    for place in _PLACES:
        block, menu = f"{place}/grubenv", f"{place}/grub.cfg"
        try:
            with open(root + menu, encoding="utf-8", errors="replace") as handle:
                knows = "next_entry" in handle.read()
        except OSError:
            continue
        if knows and os.path.isfile(root + block) and uses_up(os.path.realpath(root + block)[len(root) :], mounts):
            return block, menu
    return "", ""


def uses_up(block: str, mounts: str) -> bool:
    """Whether GRUB can write there, so that a kernel that never comes up is not started again.

    It does so on a plain disk alone, no LVM or RAID, and on no file system with checksums (the manual, as above).
    """
    device, kind, longest = "", "", 0
    for line in mounts.splitlines():
        fields = line.split()
        if (block + "/").startswith(fields[1].rstrip("/") + "/") and len(fields[1]) >= longest:
            device, kind, longest = fields[0], fields[2], len(fields[1])
    return (
        kind not in _MAY_NOT_WRITE
        and not os.path.realpath(device).startswith(_NO_PLAIN_DISK)
        and (not device.startswith(_NO_PLAIN_DISK))
    )


def entry_of(menu: str, release: str) -> str:
    """The id of the menu entry that starts the kernel of this release, with its submenu's; empty when there is none.

    An entry that starts it without further words, such as a recovery one, is preferred.
    """
    found: List[str] = []
    submenu, entry = "", ""
    for line in menu.splitlines():
        head = _ENTRY.match(line)
        if head and head.group(2) == "submenu":
            submenu = head.group(3)
        elif head:
            submenu = submenu if head.group(1) else ""
            entry = f"{submenu}>{head.group(3)}" if submenu else head.group(3)
        linux = _LINUX.match(line)
        if linux and entry and linux.group(1).endswith(f"/vmlinuz-{release}"):
            found.append(entry)
    plain = [one for one in found if "recovery" not in one]
    return next(iter(plain or found), "")


def is_block(content: bytes) -> bool:
    """Whether this is an environment block: GRUB itself writes into it whenever it starts the machine."""
    return content.startswith(_HEAD)


def chosen_once(block: bytes) -> bytes:
    """The entry that the block chooses for the next start; empty when none."""
    lines = block[len(_HEAD) :].rstrip(b"#").splitlines() if is_block(block) else []
    return next((line[len(_ONCE) :] for line in lines if line.startswith(_ONCE)), b"")


def with_next_entry(block: bytes, entry: str) -> bytes:
    """The block with the entry chosen for the next start; ValueError when it is no such block, or full."""
    if not is_block(block) or len(block) != _BYTES:
        raise ValueError("it is no environment block of GRUB")
    lines = [line for line in block[len(_HEAD) :].rstrip(b"#").splitlines() if not line.startswith(_ONCE)]
    text = _HEAD + b"".join(line + b"\n" for line in [*lines, _ONCE + entry.encode()])
    if len(text) > _BYTES:
        raise ValueError("the environment block of GRUB is full")
    return text + b"#" * (_BYTES - len(text))
