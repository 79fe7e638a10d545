"""The helper on a guest, started by its real start command over SSH, holding the guest for one test."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from orchestrator.act.bundle import helper_bundle
from orchestrator.lab.guests.machines import Machines
from tests.onhost.helper_process import HelperTalk

_LEASE_S = 600


class HeldGuest:
    """A guest with a lease on it: settings are changed through the helper as a run changes them."""

    def __init__(self, helper: HelperTalk, token: int) -> None:
        """Made by `held`."""
        self._helper = helper
        self._token = token

    def prepare(self, interfaces: list[str], places: list[dict[str, Any]]) -> None:
        """Note what is as found."""
        self._helper.ask("prepare", {"token": self._token, "interfaces": interfaces, "places": places}, timeout_s=60)

    def apply(self, setting: str, target: str, level: object, *, as_found: bool = False) -> dict[str, Any]:
        """Give a place its level, or what it had before; what the helper says of it."""
        use = {"setting": setting, "target": target, "level": level, **({"as_found": True} if as_found else {})}
        answer = self._helper.ask("apply", {"token": self._token, "uses": [use]}, timeout_s=60)
        return dict(answer["uses"][0])

    def restore(self) -> dict[str, Any]:
        """Restore everything; the comparison with the image as found."""
        self._helper.ask("restore", {"token": self._token}, timeout_s=60)
        return self._helper.ask("compare", {"token": self._token}, timeout_s=60)

    def release(self) -> None:
        """Let go of it."""
        self._helper.ask("lease.release", {"token": self._token})


@contextmanager
def held(machines: Machines, name: str) -> Iterator[HeldGuest]:
    """A guest, from taking its lease to giving it back; what was changed is restored first."""
    argv = ["ssh", "-F", machines.ssh_config, name, helper_bundle().command()]
    with HelperTalk(
        machines.lab.start(argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, bufsize=0)
    ) as helper:
        token = helper.ask("lease.acquire", {"run_id": "guests", "holder": "test", "lease_s": _LEASE_S})["token"]
        guest = HeldGuest(helper, token)
        try:
            yield guest
        finally:
            guest.restore()
            guest.release()
