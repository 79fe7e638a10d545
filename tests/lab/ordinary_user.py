"""Run a program as an ordinary user when the tests run as root, wherever the checkout and its Python lie."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

_NOBODY = 65534
# A folder such as /root is closed to others. In a mount namespace of its own it is laid over with an empty one, in
# which only what the program needs is shown again.
_OPEN_UP = """
set -e
stage=$1; shift
mount -t tmpfs tmpfs "$stage"
number=0
for pair in $NEEDED; do
  number=$((number + 1)); mkdir "$stage/$number"; mount --bind "${pair#*=}" "$stage/$number"
done
for closed in $CLOSED; do mount -t tmpfs -o mode=755 tmpfs "$closed"; done
number=0
for pair in $NEEDED; do
  number=$((number + 1)); mkdir -p "${pair#*=}"; mount --bind "$stage/$number" "${pair#*=}"
done
exec setpriv --reuid=65534 --regid=65534 --clear-groups --inh-caps=-all --no-new-privs "$@"
"""


def run_as_ordinary_user(argv: list[str], stage: Path, home: Path) -> subprocess.CompletedProcess[str]:
    """`stage`: an empty folder for the mounts; `home`: becomes the user's, and its working folder."""
    needed = {str(Path(folder).resolve()) for folder in (sys.prefix, sys.base_prefix, Path(__file__).parents[2], home)}
    closed = {str(parent) for folder in needed for parent in Path(folder).parents if not parent.stat().st_mode & 0o001}
    outermost = {one for one in closed if not any(str(other) in closed for other in Path(one).parents)}
    hidden = sorted(one for one in needed if any(Path(one).is_relative_to(folder) for folder in outermost))
    os.chown(home, _NOBODY, _NOBODY)
    environment = {
        "PATH": "/usr/local/bin:/usr/bin:/bin",
        "HOME": str(home),
        "CLOSED": " ".join(sorted(outermost)),
        "NEEDED": " ".join(f"x={one}" for one in hidden),
    }
    return subprocess.run(
        ["unshare", "--mount", "sh", "-c", _OPEN_UP, "sh", str(stage), *argv],
        env=environment,
        cwd=home,
        capture_output=True,
        text=True,
        check=False,
    )


def why_not() -> str:
    """Empty text when an ordinary user may make a lab on this machine."""
    if os.geteuid() != 0:
        return "the tests themselves run as an ordinary user"
    probe = [
        "setpriv",
        f"--reuid={_NOBODY}",
        f"--regid={_NOBODY}",
        "--clear-groups",
        "unshare",
        "--user",
        "--map-root-user",
        "--net",
        "--mount",
        "true",
    ]
    done = subprocess.run(probe, capture_output=True, text=True, check=False)
    return "" if done.returncode == 0 else f"no unprivileged user namespaces here: {done.stderr.strip()}"
