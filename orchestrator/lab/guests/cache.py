"""Built images, kept in the user's cache: a second use of the same recipe takes no time."""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from orchestrator.lab.guests import build
from orchestrator.lab.guests.missing import GuestError, missing_programs
from orchestrator.lab.guests.recipe import Recipe

_UNUSED_S = 30 * 86400


@dataclass(frozen=True)
class Image:
    """A built recipe in the cache."""

    disk: Path
    boot: Path  # folder with vmlinuz-RELEASE and, where one is needed, initrd.img-RELEASE

    @property
    def releases(self) -> list[str]:
        """The kernels in it, the recipe's first one first."""
        return list(json.loads((self.boot / "releases.json").read_text()))


def cache_folder() -> Path:
    """LINKTRIAL_CACHE, or the user's cache folder as the XDG base directory specification says."""
    chosen = os.environ.get("LINKTRIAL_CACHE")
    if chosen:
        return Path(chosen)
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "linktrial"


def is_built(recipe: Recipe) -> bool:
    """Whether the cache has it."""
    return (cache_folder() / recipe.key / "boot" / "releases.json").exists()


def image_of(recipe: Recipe, say: Callable[[str], None] = lambda _: None) -> Image:
    """The image of a recipe, built first when the cache has none; GuestError says what is missing."""
    folder = cache_folder() / recipe.key
    folder.parent.mkdir(parents=True, exist_ok=True)
    with (folder.parent / "building").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # a second program that wants the same waits for it instead of building too
        if not is_built(recipe):
            missing = missing_programs(build.BUILDERS)
            if missing:
                raise GuestError(f"a guest's disk cannot be built: {missing}")
            say(f"building a guest's disk into {folder} (about a minute, once)")
            work = Path(tempfile.mkdtemp(prefix="unfinished-", dir=folder.parent))
            try:
                build.build(recipe, work)
                shutil.rmtree(folder, ignore_errors=True)
                work.rename(folder)
            finally:
                shutil.rmtree(work, ignore_errors=True)
        os.utime(folder)
        _forget_unused(folder.parent)
    return Image(disk=folder / "disk.ext4", boot=folder / "boot")


def _forget_unused(cache: Path) -> None:
    """Remove images that nothing has asked for in a long time: recipes change, and each image has hundreds of MB."""
    for marker in cache.glob("*/boot/releases.json"):
        folder = marker.parent.parent
        if time.time() - folder.stat().st_mtime > _UNUSED_S:
            shutil.rmtree(folder, ignore_errors=True)
