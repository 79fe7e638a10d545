"""The small first disk (initramfs) of a kernel that has the guest's disk driver only as a module.

Debian's cloud kernels have NVMe and ext4 built in and need none; the full kernels do.
"""

from __future__ import annotations

import gzip
import lzma
import shutil
import subprocess
from pathlib import Path

from orchestrator.lab.guests.recipe import INSIDE

_FOR_THE_DISK = ("nvme", "ext4")


def modules_needed(root: Path, release: str) -> list[Path]:
    """Module files in the order they must be loaded; empty when all is built in."""
    files: list[Path] = []
    for module in _FOR_THE_DISK:
        done = subprocess.run(
            ["chroot", str(root), "modprobe", "-S", release, "--show-depends", module],
            capture_output=True,
            text=True,
            check=True,
        )
        for line in done.stdout.splitlines():
            word, path = line.split()[:2]
            file = root / path.lstrip("/")
            if word == "insmod" and file not in files:
                files.append(file)
    return files


def make(root: Path, modules: list[Path], target: Path) -> None:
    """Busybox, the modules and a first program, as a compressed cpio archive.

    The kernel's own unpacker is the reader: Documentation/driver-api/early-userspace/buffer-format.rst.
    """
    stage = root / "lab-stage"
    for folder in ("bin", "dev", "proc", "disk", "modules"):
        (stage / folder).mkdir(parents=True)
    shutil.copy(root / "bin" / "busybox", stage / "bin")
    shutil.copy(INSIDE / "initial-init", stage / "init")
    for file in modules:
        plain = lzma.decompress(file.read_bytes()) if file.suffix == ".xz" else file.read_bytes()
        (stage / "modules" / file.name.removesuffix(".xz")).write_bytes(plain)
    order = [file.name.removesuffix(".xz") for file in modules]
    (stage / "modules" / "order").write_text("\n".join(order) + "\n")
    done = subprocess.run(
        ["chroot", str(root), "sh", "-c", "cd /lab-stage && find . | busybox cpio -o -H newc"],
        capture_output=True,
        check=True,
    )
    target.write_bytes(gzip.compress(done.stdout, compresslevel=1))
    shutil.rmtree(stage)
