"""Which kernel runs, exactly: two builds of one release differ in nothing that `uname` must show."""

from __future__ import annotations

import hashlib
import os
import re
import struct
from typing import List, Optional, TypedDict

from orchestrator.onhost.survey.machine import kernel_configuration
from orchestrator.onhost.survey.roots import Roots, text_of

_BUILD_ID, _OWNER = 3, b"GNU\0"  # NT_GNU_BUILD_ID in the notes of an object file (elf.h, System V ABI's note section)
_NAMES_A_MACHINE = re.compile(r"([\w.-]*(?:serial|uuid|mac|pass|key|token|secret)[\w.-]*=)(\S+)", re.IGNORECASE)
_SHORT = 16  # hex digits that tell builds apart for a person


class KernelIdentity(TypedDict):
    """Which kernel runs; what a host does not tell is empty."""

    release: str
    build: str
    build_id: str
    boot_parameters: str
    configuration_sha256: str
    modules_sha256: str
    modules: List[str]


def read_kernel_identity(roots: Optional[Roots] = None) -> KernelIdentity:
    """Release, build, the build's own id, boot parameters, fingerprints of the configuration and the loaded modules.

    `modules` has a line `name id` for every loaded module: its build id, else its source version, else nothing. In
    the boot parameters the values that name this one machine are hashed.
    """
    roots = roots or Roots()
    release = text_of(f"{roots.proc}/sys/kernel/osrelease") or os.uname().release
    configuration = kernel_configuration(roots, release)
    modules = [f"{name} {_module_id(roots, name)}".rstrip() for name in _loaded(roots)]
    return {
        "release": release,
        "build": text_of(f"{roots.proc}/sys/kernel/version") or os.uname().version,
        "build_id": build_id(_bytes_of(f"{roots.sys}/kernel/notes"))[:_SHORT],
        "boot_parameters": _nameless(text_of(f"{roots.proc}/cmdline")),
        "configuration_sha256": _sha256(configuration),
        "modules_sha256": _sha256("\n".join(modules)),
        "modules": modules,
    }


def build_id(notes: bytes) -> str:
    """The build id among an object file's notes, in hex; empty when there is none."""
    at = 0
    while at + 12 <= len(notes):
        owner_size, size, kind = struct.unpack_from("=III", notes, at)
        owner_at = at + 12
        content_at = owner_at + _padded(owner_size)
        at = content_at + _padded(size)
        if kind == _BUILD_ID and notes[owner_at : owner_at + owner_size] == _OWNER and at <= len(notes):
            return notes[content_at : content_at + size].hex()
    return ""


def _padded(size: int) -> int:
    return (size + 3) // 4 * 4


def _loaded(roots: Roots) -> List[str]:
    """The loaded modules by name, sorted; what is built in belongs to the kernel's own id."""
    lines = text_of(f"{roots.proc}/modules").splitlines()
    return sorted(line.split(None, 1)[0] for line in lines if line.strip())


def _nameless(parameters: str) -> str:
    return _NAMES_A_MACHINE.sub(lambda found: found.group(1) + _sha256(found.group(2))[:8], parameters)


def _module_id(roots: Roots, name: str) -> str:
    about = f"{roots.sys}/module/{name}"
    own = build_id(_bytes_of(f"{about}/notes/.note.gnu.build-id")) or text_of(f"{about}/srcversion")
    return own[:_SHORT]


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest() if text else ""


def _bytes_of(path: str) -> bytes:
    try:
        with open(path, "rb") as handle:
            return handle.read(1 << 16)
    except OSError:
        return b""
