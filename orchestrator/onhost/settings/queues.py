"""The files of an interface's queues: which cores take over what they receive and send."""

from __future__ import annotations

from typing import Dict, Iterable, List, Sequence

from orchestrator.onhost.netlink.entries import Link
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.spelled import write_command
from orchestrator.onhost.settings.kernel import Kernel
from orchestrator.onhost.system.core_list import parse_core_list

_GROUP_BITS = 32  # the kernel writes masks in groups of 8 hexadecimal digits with commas


def queue_folder(kernel: Kernel, name: str, index: int) -> str:
    """The folder of an interface's queues; Refusal when /sys shows another namespace's interfaces."""
    try:
        shown = kernel.read_text(f"/sys/class/net/{name}/ifindex")
    except OSError:
        shown = ""
    if shown.strip() != str(index):
        raise Refusal("cannot", f"/sys of this host does not show its own {name}: it belongs to another namespace")
    return f"/sys/class/net/{name}/queues"


def read_files(kernel: Kernel, link: Link, files: Sequence[str]) -> Dict[str, str]:
    """Text by path below the folder of queues, such as `rx-0/rps_cpus`; files that cannot be read are left out."""
    folder = queue_folder(kernel, link["name"], link["index"])
    found = {}
    for queue in kernel.names(folder):
        for file in files:
            if kernel.exists(f"{folder}/{queue}/{file}"):
                try:
                    found[f"{queue}/{file}"] = kernel.read_text(f"{folder}/{queue}/{file}")
                except OSError:
                    continue  # a device with one queue has the file and refuses to read it
    return found


def write_files(kernel: Kernel, link: Link, wanted: Dict[str, str]) -> None:
    """Write what is not so already; queues that are gone have nothing to get back."""
    folder = queue_folder(kernel, link["name"], link["index"])
    for path, text in wanted.items():
        if kernel.exists(f"{folder}/{path}") and kernel.read_text(f"{folder}/{path}") != text:
            kernel.write_text(f"{folder}/{path}", text)


def commands(name: str, wanted: Dict[str, str]) -> List[str]:
    """What a person types."""
    return [write_command(f"/sys/class/net/{name}/queues/{path}", text) for path, text in wanted.items()]


def mask(cores: Iterable[int]) -> str:
    """Core numbers as the kernel's mask: hexadecimal, in groups of 32 bits with commas."""
    number = sum(1 << core for core in cores)
    groups = []
    while True:
        groups.append(number & ((1 << _GROUP_BITS) - 1))
        number >>= _GROUP_BITS
        if not number:
            break
    return ",".join([f"{groups[-1]:x}", *(f"{group:08x}" for group in reversed(groups[:-1]))])


def cores_of(text: str) -> List[int]:
    """The other way."""
    number = int(text.replace(",", "") or "0", 16)
    return [core for core in range(number.bit_length()) if number >> core & 1]


def online_cores(kernel: Kernel) -> List[int]:
    """The cores that are online."""
    return list(parse_core_list(kernel.read_text("/sys/devices/system/cpu/online"))) or [0]
