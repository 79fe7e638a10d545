"""`linktrial demo`: the main job on two hosts made on this machine."""

from __future__ import annotations

import contextlib
import json
import signal
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from orchestrator.cli.say import say
from orchestrator.faults import HostError, PlanError

if TYPE_CHECKING:
    from orchestrator.lab.lab import Lab

_PASSED_ON = (signal.SIGTERM, signal.SIGHUP)
_HIDDEN = Path("/run")  # the lab has its own


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("runs"),
    show_default=True,
    help="Where the run's folder is made.",
)
@click.option("--seconds", type=click.FloatRange(1, 60), default=1.5, show_default=True, help="Length of one trial.")
@click.option(
    "--replicates", type=click.IntRange(1, 20), default=2, show_default=True, help="How often each cell is measured."
)
@click.option("--seed", type=click.IntRange(0), default=7, show_default=True, help="Of the order of the trials.")
def command(out: Path, seconds: float, replicates: int, seed: int) -> int:
    """Make an observatory's dome computer and hall server, run a plan on them, show the matrix.

    Both are network namespaces on this machine with an SSH server each, joined by a 1 Gb/s switch. Needs Linux,
    iproute2, and root or unprivileged user namespaces. Nothing of this machine is changed.
    """
    from orchestrator.lab.lab import Lab, LabError
    from orchestrator.lab.scenario import SKY_CAMERA

    folder = out.resolve()
    if folder.is_relative_to(_HIDDEN):
        raise PlanError(
            "out_hidden",
            f"{folder} would be lost with the lab, which has a {_HIDDEN} of its own",
            next_step="give --out another folder",
        )
    try:
        with Lab(SKY_CAMERA, server="asyncssh") as lab:
            return _run_in(lab, folder, _introduce(lab), seconds=seconds, replicates=replicates, seed=seed)
    except LabError as error:
        raise HostError(
            "no_lab",
            str(error),
            next_step="the demo needs Linux with iproute2, and root or unprivileged user namespaces",
        ) from error


def _introduce(lab: Lab) -> dict[str, Any]:
    """Say what was made; returns the same for the run's folder."""
    rate_bit_s = lab.scenario.uplink_rate_bit_s or 0
    hosts = " and ".join(lab.hosts)
    say(f"lab: {hosts} are made of namespaces on this machine, joined by a {rate_bit_s / 1e9:g} Gb/s switch", err=True)
    return {"hosts": list(lab.hosts), "server": lab.server, "uplink_rate_bit_s": rate_bit_s}


def _run_in(lab: Lab, out: Path, note: dict[str, Any], **plan: Any) -> int:
    """Run `linktrial run` in the controller's place; its exit code."""
    from orchestrator.lab.demo_plan import demo_plan

    inside = Path(lab.ssh_config).parent  # vanishes with the lab
    for name, text in (("dome-to-hall.yaml", demo_plan(**plan)), ("lab.json", json.dumps(note))):
        lab.controller.path(str(inside / name)).write_text(text)
    arguments = [
        "run",
        str(inside / "dome-to-hall.yaml"),
        "--out",
        str(out),
        "--ssh-config",
        lab.ssh_config,
        "--lab-note",
        str(inside / "lab.json"),
    ]
    return _wait(lab.start([sys.executable, "-P", "-m", "orchestrator.cli", *arguments]))


def _wait(run: subprocess.Popen[bytes]) -> int:
    """The run decides when it ends: the terminal's Ctrl-C reaches it directly, other wishes to end are passed on."""

    def pass_on(number: int, _frame: object) -> None:
        with contextlib.suppress(ProcessLookupError):
            run.send_signal(number)

    earlier = {number: signal.signal(number, pass_on) for number in _PASSED_ON}
    earlier[signal.SIGINT] = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        code = run.wait()
    finally:
        for number, handler in earlier.items():
            signal.signal(number, handler)
    return code if code >= 0 else 128 - code
