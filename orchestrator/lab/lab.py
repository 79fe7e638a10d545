"""Class Lab: hosts made of network namespaces on this machine, joined by a switch, reached over real SSH."""

from __future__ import annotations

import contextlib
import json
import os
import select
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from types import TracebackType
from typing import IO, Any, Literal

from orchestrator.lab import namespaces, ssh_openssh
from orchestrator.lab.cpu_group import group_folder
from orchestrator.lab.ground import LAB_FOLDER
from orchestrator.lab.places import Place, path_with_system_folders
from orchestrator.lab.scenario import OBSERVATORY, LabHost, Scenario
from orchestrator.lab.switch import Switch

_KINDS = ("ipc", "uts", "net", "pid", "mnt")
Server = Literal["openssh", "asyncssh"]


class LabError(RuntimeError):
    """The lab cannot be made here; the message says what is missing."""


def why_no_lab_here(server: Server = "asyncssh") -> str:
    """Empty text when a lab can be tried here, else what is missing; making it may still fail, and then tells why."""
    path = path_with_system_folders(os.environ.get("PATH"))
    if not hasattr(os, "memfd_create"):
        return "a lab needs Linux"
    missing = [tool for tool in ("ip", "tc") if shutil.which(tool, path=path) is None]
    if missing:
        return f"{', '.join(missing)} missing: install the package iproute2"
    if server == "openssh":
        if os.geteuid() != 0:
            return "OpenSSH's server needs root; the lab's own server (asyncssh) does not"
        return ssh_openssh.why_not_here()
    return ""


class Lab:
    """`with Lab(server="openssh") as lab: lab.run(["linktrial", "run", PLAN, "--ssh-config", lab.ssh_config])`.

    Nothing of it can be seen by or reach the machine's own network, and it ends with the program that made it.
    """

    def __init__(
        self, scenario: Scenario = OBSERVATORY, server: Server = "openssh", *, timeout_s: float = 60.0
    ) -> None:
        """Nothing is made before `with` or `make()`."""
        self.scenario = scenario
        self.server: Server = server
        self.timeout_s = timeout_s
        self.hosts: dict[str, Place] = {}
        self.ssh_config = str(LAB_FOLDER / "ssh_config")
        self._warden: subprocess.Popen[bytes] | None = None
        self._words: IO[bytes] | None = None
        self._pids: dict[str, int] = {}

    def make(self) -> Lab:
        """Make it; LabError says what is missing when it cannot be made."""
        missing = why_no_lab_here(self.server)
        if missing:
            raise LabError(missing)
        self._end, theirs = namespaces.message_pair()
        self._words = tempfile.TemporaryFile()  # noqa: SIM115 - closed by stop(); has no name, so leaves nothing behind
        try:
            self._warden = subprocess.Popen(
                [sys.executable, "-P", "-m", "orchestrator.lab.warden", str(theirs.fileno()), self.server],
                pass_fds=[theirs.fileno()],
                stdin=subprocess.PIPE,
                stdout=self._words,
                stderr=self._words,
                start_new_session=True,
            )  # Ctrl-C is for the program that uses the lab, not for the lab
            theirs.close()
            self._hand_over_scenario(self._warden)
            self._wait_until_built()
        except BaseException:
            self.stop()
            raise
        self._name_places()
        return self

    def stop(self) -> None:
        """Let go of it: its first process then ends and takes the rest along. Returns when all of it is gone."""
        with contextlib.suppress(OSError):  # it may have ended by itself, or be stopped a second time
            self._end.shutdown(socket.SHUT_RDWR)  # a forked copy of our end would otherwise keep it standing
        self._end.close()
        if self._warden is not None:
            try:
                self._warden.wait(timeout=10)
            except subprocess.TimeoutExpired:
                self._warden.kill()
                self._warden.wait()
        if self._words is not None:
            self._words.close()
        self._pids = {}

    def __enter__(self) -> Lab:
        return self.make()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def run(self, argv: Sequence[str], **options: Any) -> subprocess.CompletedProcess[Any]:
        """subprocess.run in the controller's place."""
        return self.controller.exec(argv, **options)

    def start(self, argv: Sequence[str], **options: Any) -> subprocess.Popen[Any]:
        """subprocess.Popen in the controller's place."""
        return self.controller.start(argv, **options)

    @property
    def plan_hosts(self) -> dict[str, dict[str, str]]:
        """The `hosts:` of a plan for this lab."""
        return {host.name: {"ssh": host.name, "privilege": "root"} for host in self.scenario.hosts}

    def _name_places(self) -> None:
        kinds = _KINDS if os.geteuid() == 0 else ("user", *_KINDS)
        self.controller = Place("controller", self._pids["controller"], kinds)
        self.switch = Switch("switch", self._pids["switch"], kinds)
        self.hosts = {
            host.name: Place(host.name, self._pids[host.name], kinds, self._group_of(host))
            for host in self.scenario.hosts
        }

    def _group_of(self, host: LabHost) -> str:
        return str(group_folder(self._warden.pid, host.name)) if host.slow_board and self._warden else ""

    def _hand_over_scenario(self, warden: subprocess.Popen[bytes]) -> None:
        assert warden.stdin is not None  # noqa: S101 - for the type checker: it was started with a pipe
        with contextlib.suppress(BrokenPipeError):  # then it has died, and waiting for it tells why
            warden.stdin.write(self.scenario.to_json().encode())
            warden.stdin.close()

    def _wait_until_built(self) -> None:
        until = time.monotonic() + self.timeout_s
        while True:
            ready, _, _ = select.select([self._end], [], [], max(0.0, until - time.monotonic()))
            if not ready:
                raise LabError(f"the lab was not ready within {self.timeout_s:g} s")
            text, pid = namespaces.receive_with_pid(self._end)
            message = json.loads(text) if text else {"error": self._last_words()}
            if "error" in message:
                raise LabError(f"the lab cannot be made: {message['error']}")
            if "place" in message:
                self._pids[message["place"]] = pid
            if "built" in message:
                return

    def _last_words(self) -> str:
        assert self._words is not None  # noqa: S101 - for the type checker: make() has set it
        self._words.seek(0)
        words = self._words.read().decode(errors="replace").strip()
        return words.splitlines()[-1] if words else "its first process ended without a word"
