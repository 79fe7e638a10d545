"""Taking a boot change back at the next start: armed before the file is changed, run once, and then gone.

A change of a boot file is for one start: the machine starts with it, and the first thing that start does is to put
the file back. Whatever happens then (the controller dies, the power fails), the start after it is as found. What is
kept on the disk meanwhile:

  /var/lib/linktrial-at-start/revert        the script, which a hook runs (hooks.py); by hand: sh .../revert
  /var/lib/linktrial-at-start/KEY/path      the boot file, KEY being made of its name
                              KEY/original  its bytes as found, or `absent`; `owner` is "mode uid gid"
                              KEY/ours-SUM  what was written there: only this is taken back, never somebody else's
                              KEY/words     the words added to a file of one line, for one that was changed since
                              KEY/mount     the file system that has to be mounted for it
                              KEY/undo      for a setting of the plan's own, in the place of these: a line of shell
                              KEY/read      what prints the value then; undone is one that is in KEY/ours-SUM
                              KEY/boot      the start in which it was armed
  /run/linktrial-started/BOOT/KEY           written by the script: with what the machine was started
"""

from __future__ import annotations

import base64
import contextlib
import errno
import hashlib
import os
import shutil
import subprocess
from typing import Dict, Iterator, List, Optional

from orchestrator.onhost.at_start import hooks
from orchestrator.onhost.at_start.boot_files import (
    ArmedFile,
    BootFile,
    content_of,
    mount_of,
    read_file,
    sync_folder,
    write_flushed,
)
from orchestrator.onhost.at_start.boot_loader import is_block
from orchestrator.onhost.at_start.managed_lines import added_words
from orchestrator.onhost.at_start.revert_script import script_text
from orchestrator.onhost.safety.record import boot_id

FOLDER = "/var/lib/linktrial-at-start"
NOTES = "/run/linktrial-started"
SCRIPT = f"{FOLDER}/revert"
_TIMEOUT_S = 60.0
_OURS = "ours-"


def arm_file(path: str, original: BootFile, wanted: bytes) -> None:
    """From now on the next start restores this file, if it holds `wanted`, which may then be written. OSError.

    Of one that is armed already the first original counts, and whatever was wanted since.
    """
    parts = {"path": os.path.realpath(path).encode(), _ours(wanted): wanted}
    mount = mount_of(path)
    if mount:
        parts["mount"] = mount
    if original is None:
        parts["absent"] = b""
    else:
        parts["original"] = content_of(original)
        words = added_words(content_of(original), wanted)
        parts.update({"words": words} if words else {})  # without any, the script leaves somebody else's file untouched
        parts["owner"] = f"{original['mode']:o} {original['uid']} {original['gid']}\n".encode()
    _arm(key_of(path), parts)


def arm_command(name: str, undo: str, read: str, wanted: str) -> None:
    """From now on the next start runs `undo`, where `read`, a line of shell too, prints `wanted` then. OSError."""
    _arm(
        key_of(f"command {name}"),
        {"undo": undo.encode() + b"\n", "read": read.encode() + b"\n", _ours(wanted.encode()): wanted.encode()},
    )


def armed_original(path: str) -> Optional[ArmedFile]:
    """{file} as found, where this file is to be restored at the next start; None when it is not."""
    entry = os.path.join(FOLDER, key_of(path))
    if not os.path.exists(os.path.join(entry, "boot")):
        return None
    if os.path.exists(os.path.join(entry, "absent")):
        return {"file": None}
    mode, uid, gid = _text(os.path.join(entry, "owner")).split()
    return {
        "file": {
            "content": base64.b64encode(_bytes(os.path.join(entry, "original"))).decode("ascii"),
            "mode": int(mode, 8),
            "uid": int(uid),
            "gid": int(gid),
        }
    }


def holds_written(path: str) -> bool:
    """Whether an armed file holds what was written there since, as the script would say."""
    now = content_of(read_file(path))
    return not now or is_block(now) or os.path.exists(os.path.join(FOLDER, key_of(path), _ours(now)))


def require_mounted(path: str) -> None:
    """OSError when this file was armed on a file system that is not mounted now: what is seen there is another file."""
    entry = os.path.join(FOLDER, key_of(path))
    mount = _text(os.path.join(entry, "mount")) if os.path.exists(os.path.join(entry, "boot")) else ""
    if mount and os.fsencode(mount) != mount_of(path):
        raise OSError(errno.ESTALE, f"{mount} is not mounted, and {path} has to be restored there")


def disarm(key: str) -> None:
    """The next start leaves this one alone; the last one takes script and hook along."""
    entry = os.path.join(FOLDER, key)
    with contextlib.suppress(FileNotFoundError):
        os.unlink(os.path.join(entry, "boot"))  # without it the rest means nothing
        shutil.rmtree(entry)
    if os.path.isdir(FOLDER) and not any(True for _ in _entries()):
        hooks.remove_all(SCRIPT)
        shutil.rmtree(FOLDER)
        sync_folder(FOLDER)


def started_with(key: str) -> Optional[bytes]:
    """What the machine was started with in the place of the file as found; None when it was started as found."""
    path = os.path.join(NOTES, boot_id(), key)
    return _bytes(path) if os.path.exists(path) else None


def take_back_if_due() -> None:
    """Run the script when something was armed in an earlier start: the hook is late, or there is none any more."""
    now = boot_id()
    if any(_text(os.path.join(entry, "boot")).strip() != now for entry in _entries()):
        try:
            subprocess.run(
                ["/bin/sh", SCRIPT],
                check=False,
                timeout=_TIMEOUT_S,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
        except subprocess.TimeoutExpired as error:
            raise OSError(errno.ETIMEDOUT, f"{SCRIPT} did not end within {_TIMEOUT_S:g} s") from error


def way() -> str:
    """What runs a script at this host's next start; empty when nothing does."""
    hook = hooks.hook_of()
    return hook.name if hook else ""


def key_of(name: str) -> str:
    """The name under which something is kept: of a file by its path, of a command by `command NAME`."""
    return hashlib.sha256((os.path.realpath(name) if name.startswith("/") else name).encode()).hexdigest()[:16]


def _arm(key: str, parts: Dict[str, bytes]) -> None:
    entry = os.path.join(FOLDER, key)
    if os.path.exists(os.path.join(entry, "boot")):
        for name in [name for name in parts if name.startswith(_OURS) or name == "words"]:
            write_flushed(os.path.join(entry, name), parts[name])
            sync_folder(os.path.join(entry, name))
        return
    hook = hooks.hook_of()
    if hook is None:
        raise OSError(0, hooks.NONE)
    shutil.rmtree(entry, ignore_errors=True)
    os.makedirs(entry, 0o700)
    os.chmod(FOLDER, 0o700)
    for name, content in parts.items():
        write_flushed(os.path.join(entry, name), content)
    write_flushed(SCRIPT, script_text(SCRIPT, FOLDER, NOTES).encode(), 0o700)
    hook.install(SCRIPT, "")
    write_flushed(os.path.join(entry, "boot"), boot_id().encode() + b"\n")  # last: only a whole entry counts
    for path in (os.path.join(entry, "boot"), entry, FOLDER):
        sync_folder(path)


def _ours(content: bytes) -> str:
    return _OURS + hashlib.sha256(content).hexdigest()[:16]


def _entries() -> Iterator[str]:
    names: List[str] = sorted(os.listdir(FOLDER)) if os.path.isdir(FOLDER) else []
    for name in names:
        if os.path.exists(os.path.join(FOLDER, name, "boot")):
            yield os.path.join(FOLDER, name)


def _bytes(path: str) -> bytes:
    with open(path, "rb") as handle:
        return handle.read()


def _text(path: str) -> str:
    try:
        return _bytes(path).decode("utf-8", "replace")
    except OSError:
        return ""
