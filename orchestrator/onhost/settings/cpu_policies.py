"""The clock policies of a host: one directory for each group of cores that share a clock."""

from __future__ import annotations

from typing import Dict, Mapping

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.spelled import write_command
from orchestrator.onhost.settings.kernel import Kernel

CPU_TREE = "/sys/devices/system/cpu"
POLICIES = f"{CPU_TREE}/cpufreq"


def each_policy(kernel: Kernel, what: str) -> Dict[str, str]:
    """Directory by policy name, those with a core online; Refusal "cannot" on a host whose clock has no policy.

    `what` names what was wanted, for the sentence.
    """
    found = {name: f"{POLICIES}/{name}" for name in kernel.names(POLICIES) if name.startswith("policy")}
    # the files of a policy whose cores are all offline answer EBUSY
    found = {name: path for name, path in found.items() if kernel.read_text(f"{path}/affected_cpus").strip()}
    if not found:
        raise Refusal("cannot", f"this host has no cpufreq: {what} cannot be read or set from inside it")
    return found


def write_everywhere(file: str, value: object) -> str:
    """The same for a host whose policies nobody has counted; tee takes any number of files."""
    return f"echo {value} | tee {POLICIES}/policy*/{file}"


def spelled_writes(file: str, values: Mapping[str, object]) -> str:
    """What a person types to write `file` of each policy."""
    return " && ".join(write_command(f"{POLICIES}/{policy}/{file}", value) for policy, value in values.items())
