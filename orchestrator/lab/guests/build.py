"""Build a guest's disk image and its kernels.

Root only: the packages' own scripts run in a root folder of their own. The image is filled from that folder
(`mke2fs -d`), so nothing is mounted. Packages come through the machine's own apt.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

from orchestrator.lab.guests import initial_disk
from orchestrator.lab.guests.missing import GuestError
from orchestrator.lab.guests.recipe import INSIDE, Recipe
from orchestrator.lab.places import path_with_system_folders

_TIMEOUT_S = 240  # of any single step; the longest, mmdebstrap, took 24 to 30 s here
_UNUSED = ("usr/share/doc", "usr/share/man", "usr/share/locale", "usr/share/info", "var/lib/apt/lists", "var/cache/apt")
# program -> Debian package, of what building an image needs beyond what starting one needs
BUILDERS = {
    "mmdebstrap": "mmdebstrap",
    "apt-get": "apt",
    "dpkg-deb": "dpkg",
    "mke2fs": "e2fsprogs",
    "chroot": "coreutils",
}


def build(recipe: Recipe, work: Path) -> None:
    """Make disk.ext4 and boot/ in the empty folder `work`; GuestError with the words of the step that failed."""
    root, boot = work / "root", work / "boot"
    boot.mkdir()
    packages = [_package_behind(meta) for meta in recipe.kernels]
    _step(
        [
            "mmdebstrap",
            "--quiet",
            "--variant=minbase",
            f"--include={','.join(recipe.packages)}",
            *(f"--dpkgopt=path-exclude=/{folder}/*" for folder in _UNUSED[:4]),
            recipe.suite,
            str(root),
        ]
    )
    releases = [_add_kernel(package, root, boot) for package in packages]
    _add_our_files(recipe, root, releases[0])
    for folder in _UNUSED:
        shutil.rmtree(root / folder, ignore_errors=True)
    _step(["mke2fs", "-q", "-t", "ext4", "-L", "guest", "-d", str(root), str(work / "disk.ext4"), f"{recipe.size_mb}M"])
    shutil.rmtree(root)
    (boot / "releases.json").write_text(json.dumps(releases))


def _package_behind(meta: str) -> str:
    words = _step(["apt-cache", "depends", "--important", meta]).split()
    found = [word for word in words if word.startswith("linux-image-") and word != meta]
    if not found:
        raise GuestError(f"apt knows no kernel behind {meta}; `apt-get update` and a Debian mirror with it are needed")
    return found[0]


def _add_kernel(package: str, root: Path, boot: Path) -> str:
    """Unpack a kernel into the root folder and keep what QEMU starts; returns its release (`uname -r`)."""
    with tempfile.TemporaryDirectory(dir=boot.parent) as download:
        _step(["apt-get", "-qq", "-o", "APT::Sandbox::User=root", "download", package], folder=download)
        (archive,) = Path(download).iterdir()
        unpacked = Path(download) / "unpacked"  # not into the root: the package's /lib would replace the link there
        _step(["dpkg-deb", "-x", str(archive), str(unpacked)])
        for source in [*unpacked.glob("lib/modules/*"), *unpacked.glob("usr/lib/modules/*")]:
            (root / "lib" / "modules").mkdir(exist_ok=True)
            shutil.move(source, root / "lib" / "modules")
        for source in unpacked.glob("boot/*"):
            shutil.move(source, root / "boot")
    release = package.removeprefix("linux-image-").removesuffix("-unsigned")
    _step(["chroot", str(root), "depmod", release])
    needed = initial_disk.modules_needed(root, release)
    if needed:
        initial_disk.make(root, needed, boot / f"initrd.img-{release}")
    shutil.copy(root / "boot" / f"vmlinuz-{release}", boot)
    return release


def _add_our_files(recipe: Recipe, root: Path, release: str) -> None:
    lab = root / "etc" / "lab"
    lab.mkdir()
    for name in ("start", "stop", "network"):
        shutil.copy(INSIDE / name, lab)
    (lab / "interfaces").touch()
    for key in (root / "etc" / "ssh").glob("ssh_host_*"):
        key.unlink()  # each guest gets its own
    shutil.copy(INSIDE / "sshd.conf", root / "etc" / "ssh" / "sshd_config.d" / "lab.conf")
    shutil.copy(INSIDE / "lines", root / "boot" / "lines")
    (root / "boot" / "choice").write_text(f"{release}\n")
    (root / "root" / ".ssh").mkdir(mode=0o700, exist_ok=True)
    (root / "etc" / "resolv.conf").write_text("")
    (root / "etc" / "fstab").write_text("/dev/nvme0n1 / ext4 defaults 0 1\n")
    _step(["chroot", str(root), "useradd", "--create-home", "--shell", "/bin/bash", "bench"])
    (root / "etc" / "sudoers.d" / "bench").write_text("bench ALL=(ALL:ALL) NOPASSWD: ALL\n")
    if recipe.systemd:
        for unit in ("lab-network.service", "lab-ready.service"):
            shutil.copy(INSIDE / unit, root / "etc" / "systemd" / "system")
        _step(["chroot", str(root), "systemctl", "enable", "--quiet", "lab-network", "lab-ready"])
    else:
        shutil.copy(INSIDE / "inittab", root / "etc" / "inittab")
        for name in ("init", "reboot", "poweroff", "halt"):
            (root / "usr" / "sbin" / name).symlink_to("/usr/bin/busybox")


def _step(argv: Sequence[str], folder: str | None = None) -> str:
    """Run one program of the build; GuestError with its last words when it fails."""
    environment = {
        **os.environ,
        "PATH": path_with_system_folders(os.environ.get("PATH")),
        "LC_ALL": "C",
        "DEBIAN_FRONTEND": "noninteractive",
    }
    try:
        done = subprocess.run(
            argv,
            cwd=folder,
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=_TIMEOUT_S,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise GuestError(f"{argv[0]} did not end within {_TIMEOUT_S} s while building a guest's disk") from error
    if done.returncode != 0:
        words = (done.stderr or done.stdout).strip().splitlines()[-4:]
        raise GuestError(f"a guest's disk cannot be built: {' '.join(argv[:4])} ...: {' / '.join(words)}")
    return done.stdout
