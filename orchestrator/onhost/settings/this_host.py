"""The machine that this program runs on, behind the settings; nothing is asked of it before it is needed."""

from __future__ import annotations

import importlib
from typing import cast

from orchestrator.onhost.settings.kernel import Kernel


class _OnFirstUse:
    """Becomes this host when it is asked anything: `check` reads the settings' descriptions without that."""

    def __getattr__(self, name: str) -> object:
        real: Kernel = importlib.import_module("orchestrator.onhost.settings.real_kernel").RealKernel()
        self.__dict__.update({each: getattr(real, each) for each in dir(real) if not each.startswith("_")})
        asked: object = getattr(real, name)
        return asked


def this_host() -> Kernel:
    """The host that this program runs on."""
    return cast(Kernel, _OnFirstUse())
