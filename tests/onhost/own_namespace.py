"""Run a function as root in namespaces of its own, so that a test changes settings of nothing but what it made."""

from __future__ import annotations

import ctypes
import os
import pickle
import subprocess
import sys
import traceback
from collections.abc import Callable
from typing import Any

_NEW_MOUNTS, _NEW_HOSTNAME, _NEW_NETWORK = 0x00020000, 0x04000000, 0x40000000
_PRIVATE = 1 << 18 | 1 << 14  # MS_PRIVATE, MS_REC
_NOBODY = 65534
_DIE_WITH_PARENT = 1  # PR_SET_PDEATHSIG


def in_own_namespace(function: Callable[..., Any], *arguments: Any) -> Any:
    """What `function` returns, run in a child with its own network, mounts and host name; its failure fails here.

    /run is empty and /sys shows the new network namespace; both vanish with the child.
    """
    return _in_child(enter_new_namespaces, function, arguments)


def as_ordinary_user(function: Callable[..., Any], *arguments: Any) -> Any:
    """What `function` returns when it is run without privilege."""
    return _in_child(lambda: os.setuid(_NOBODY) if os.geteuid() == 0 else None, function, arguments)


def _in_child(prepare: Callable[[], object], function: Callable[..., Any], arguments: tuple[Any, ...]) -> Any:
    readable, writable = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(readable)
        _answer(writable, prepare, function, arguments)
    os.close(writable)
    with os.fdopen(readable, "rb") as pipe:
        answer = pipe.read()
    os.waitpid(child, 0)
    kind, value = pickle.loads(answer) if answer else ("failed", "the child died")  # noqa: S301 - our own child's
    if kind == "failed":
        raise AssertionError(f"in the child:\n{value}")
    return value


def _answer(
    writable: int, prepare: Callable[[], object], function: Callable[..., Any], arguments: tuple[Any, ...]
) -> None:
    try:
        prepare()
        answer = pickle.dumps(("value", function(*arguments)))
    except BaseException:
        answer = pickle.dumps(("failed", traceback.format_exc()))
    with os.fdopen(writable, "wb") as pipe:
        pipe.write(answer)
    sys.stdout.flush()
    os._exit(0)


def enter_new_namespaces() -> None:
    """Leave the machine's own namespaces for good; only ever in a child."""
    libc = ctypes.CDLL(None, use_errno=True)
    libc.prctl(_DIE_WITH_PARENT, 9, 0, 0, 0)
    for failed in (
        libc.unshare(_NEW_MOUNTS | _NEW_HOSTNAME | _NEW_NETWORK),
        libc.mount(b"none", b"/", None, ctypes.c_ulong(_PRIVATE), None),
        libc.mount(b"tmpfs", b"/run", b"tmpfs", ctypes.c_ulong(0), None),
        libc.mount(b"sysfs", b"/sys", b"sysfs", ctypes.c_ulong(0), None),
    ):
        if failed:
            raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))
    run("ip link set dev lo up")


def run(line: str) -> str:
    """A program's output, for reading what we did with somebody else's eyes; words are split at spaces."""
    return subprocess.run(line.split(), check=True, capture_output=True, text=True, timeout=20).stdout


def make_pair(first: str = "near0", second: str = "far0") -> None:
    """A veth pair, both ends up and without segmentation of their own making."""
    run(f"ip link add name {first} type veth peer name {second}")
    for name in (first, second):
        run(f"ip link set dev {name} up")
