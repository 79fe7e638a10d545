"""What a guest's disk is made of. A changed recipe has another key, so the cache never serves a stale image."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path

# What any small Debian host has that people run trials on; `cron` for its `@reboot` lines.
_PACKAGES = (
    "openssh-server",
    "python3",
    "iproute2",
    "ethtool",
    "kmod",
    "procps",
    "busybox-static",
    "nftables",
    "iputils-ping",
    "sudo",
    "cron",
)
_SYSTEMD_PACKAGES = ("systemd-sysv", "libpam-systemd", "dbus", "udev")
# Kernels are named by their metapackages: the packages behind them are renamed with every security update.
CLOUD_6_1, CLOUD_6_12, FULL_6_12 = "linux-image-cloud-amd64", "linux-image-6.12-cloud-amd64", "linux-image-6.12-amd64"
INSIDE = Path(__file__).with_name("inside")  # the files that are ours in a guest


@dataclass(frozen=True)
class Recipe:
    """A disk image; `systemd`: with systemd as its first process, else busybox."""

    suite: str = "bookworm"
    kernels: tuple[str, ...] = (CLOUD_6_1, CLOUD_6_12)  # the first is the one that boots until another is chosen
    systemd: bool = False
    size_mb: int = 1024  # of the file system; the file is sparse

    @property
    def packages(self) -> tuple[str, ...]:
        """Everything but the kernels."""
        return _PACKAGES + (_SYSTEMD_PACKAGES if self.systemd else ())

    @property
    def key(self) -> str:
        """Changes when anything of the recipe does, including the files in `inside/`."""
        files = {path.name: path.read_text() for path in sorted(INSIDE.iterdir()) if path.is_file()}
        building = [Path(__file__).with_name(name).read_text() for name in ("build.py", "initial_disk.py")]
        text = json.dumps([asdict(self), self.packages, files, building], sort_keys=True)
        return hashlib.sha256(text.encode()).hexdigest()[:16]


CLOUD = Recipe()
FULL = Recipe(kernels=(CLOUD_6_12, FULL_6_12))  # the second knows cards that the first has no driver for
SYSTEMD = Recipe(kernels=(CLOUD_6_1,), systemd=True)
