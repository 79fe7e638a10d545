"""Recovering a host that has to be started once more: what it refuses is said at once."""

from __future__ import annotations

import asyncio
from typing import Any, cast

import pytest

from orchestrator.act.recovering import restart_host
from orchestrator.act.session import HostSession
from orchestrator.faults import HostError


class Session:
    """A host in one start, which refuses another."""

    async def request(self, verb: str, args: dict[str, Any], timeout_s: float) -> dict[str, Any]:
        if verb == "restart":
            raise HostError("cannot", "this host is a container", host="dome")
        return {"token": 1, "boot_id": "this"}

    async def close(self) -> None:
        """Nothing is open."""


def test_a_host_that_refuses_to_restart_is_not_waited_for() -> None:
    async def connect(name: str) -> HostSession:
        return cast(HostSession, Session())

    with pytest.raises(HostError, match="container"):
        asyncio.run(restart_host("dome", connect, "r1", [], timeout_s=0.01))
