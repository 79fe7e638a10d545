"""Which kernel modules claim a device, in this kernel and in the others that are installed; configuration options."""

from __future__ import annotations

import fnmatch
import os
import re
from typing import Dict, List

from orchestrator.onhost.survey.machine import kernel_configuration
from orchestrator.onhost.survey.roots import Roots, found, text_of

_MAX_ALIAS_BYTES = 1 << 24
# what all aliases for one vendor begin with, so that thousands of patterns need not be matched
_VENDOR = re.compile(r"pci:v[0-9A-F]{8}")


def modules_that_claim(roots: Roots, release: str, alias: str) -> List[str]:
    """The modules of one kernel whose aliases match a device's; those built in too."""
    claimed = _loadable(roots, release, alias) + _built_in(roots, release, alias)
    return sorted(set(claimed))


def kernels_that_claim(roots: Roots, release: str, alias: str) -> Dict[str, List[str]]:
    """By release of the other installed kernels: their modules that claim the device."""
    others = (os.path.basename(path) for path in found(f"{roots.modules}/*") if os.path.basename(path) != release)
    claims = {other: modules_that_claim(roots, other, alias) for other in others}
    return {other: names for other, names in claims.items() if names}


def option_of(roots: Roots, release: str, module: str) -> str:
    """How the running kernel was configured for a module: `off`, `module`, `built in`, or empty when nobody can tell.

    The option usually has the module's name; a kernel that lists no such option leaves the question open.
    """
    option = "CONFIG_" + module.upper().replace("-", "_")
    for line in kernel_configuration(roots, release).splitlines():
        if line == f"# {option} is not set":
            return "off"
        if line.startswith(f"{option}="):
            return {"m": "module", "y": "built in"}.get(line[len(option) + 1 :], "")
    return ""


def _loadable(roots: Roots, release: str, alias: str) -> List[str]:
    vendor = _VENDOR.match(alias)
    start = "alias " + (vendor.group(0) if vendor else alias[:4])
    claimed = []
    for line in text_of(f"{roots.modules}/{release}/modules.alias", _MAX_ALIAS_BYTES).splitlines():
        if line.startswith((start, "alias pci:v*")):
            _, pattern, module = line.split()
            if fnmatch.fnmatchcase(alias, pattern):
                claimed.append(module)
    return claimed


def _built_in(roots: Roots, release: str, alias: str) -> List[str]:
    """modules.builtin.modinfo: `module.alias=pattern` entries with zero bytes between."""
    claimed = []
    for entry in text_of(f"{roots.modules}/{release}/modules.builtin.modinfo", _MAX_ALIAS_BYTES).split("\0"):
        name, _, value = entry.partition("=")
        module, _, key = name.partition(".")
        if key == "alias" and fnmatch.fnmatchcase(alias, value):
            claimed.append(module)
    return claimed
