"""A place inside a lab as the program outside holds it: run something there, look at its files."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

SYSTEM_FOLDERS = "/usr/local/sbin:/usr/sbin:/sbin"  # an ordinary user's PATH lacks them; `tc` and `nft` live there


def path_with_system_folders(path: str | None) -> str:
    """A PATH that also finds the system's own tools."""
    return f"{path or os.defpath}:{SYSTEM_FOLDERS}"


class Place:
    """The controller's place, a host or the switch."""

    def __init__(self, name: str, pid: int, kinds: Sequence[str], group: str = "") -> None:
        """`pid` is the place's first process as we see it; `kinds` the namespaces to enter; `group` its CPU quota's."""
        self.name = name
        self.pid = pid
        self._kinds = tuple(kinds)
        self._group = group

    def argv(self, argv: Sequence[str]) -> list[str]:
        """What has to be started out here so that `argv` runs in there, as an ordinary child would."""
        return [
            sys.executable,
            "-P",
            "-m",
            "orchestrator.lab.enter",
            str(self.pid),
            ",".join(self._kinds),
            self._group,
            str(Path.cwd()),
            *argv,
        ]

    def exec(self, argv: Sequence[str], **options: Any) -> subprocess.CompletedProcess[Any]:
        """subprocess.run(argv, **options), in there; its working folder is kept where it exists in there."""
        return subprocess.run(self.argv(argv), **self._with_path(options))  # noqa: PLW1510 - `check` is the caller's

    def start(self, argv: Sequence[str], **options: Any) -> subprocess.Popen[Any]:
        """subprocess.Popen(argv, **options), in there; signals and kill() reach the program."""
        return subprocess.Popen(self.argv(argv), **self._with_path(options))

    def output(self, argv: Sequence[str]) -> str:
        """What `argv` prints; RuntimeError with its words when it fails."""
        done = self.exec(argv, capture_output=True, text=True, check=False)
        if done.returncode != 0:
            raise RuntimeError(f"{self.name}: {' '.join(argv)}: exit {done.returncode}: {done.stderr.strip()}")
        return str(done.stdout)

    def path(self, inside: str) -> Path:
        """The path out here of a file in there, for reading and writing (also under /sys/class/net)."""
        return Path(f"/proc/{self.pid}/root") / inside.lstrip("/")

    @staticmethod
    def _with_path(options: dict[str, Any]) -> dict[str, Any]:
        environment = dict(options.get("env") or os.environ)
        environment["PATH"] = path_with_system_folders(environment.get("PATH"))
        return {**options, "env": environment}
