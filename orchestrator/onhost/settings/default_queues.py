"""The disciplines that the kernel itself gives to the queues of a card with several.

It makes them when it makes the root: the host's default for queues in use, `pfifo_fast` for the others (Linux's
get_default_qdisc_ops), and never anew when the card is told to use more queues. So a root that was made while few
queues were in use has other disciplines on the rest than one that was made while all were.
"""

from __future__ import annotations

from typing import List, Optional

from orchestrator.onhost.settings.kernel import Kernel


def kinds(kernel: Kernel, index: int) -> Optional[List[str]]:
    """The kernel's own discipline of each queue in use, in their order; None where the root is not the kernel's."""
    found = kernel.qdiscs(index)
    of_queues = [each for each in found if not each["root"] and each["parent"] >> 16 == 0]
    if not all(each["default"] for each in of_queues + [each for each in found if each["root"]]):
        return None
    children = sorted(of_queues, key=lambda each: int(each["parent"]))
    return [str(each["kind"]) for each in children]


def are_mixed(found: Optional[List[str]]) -> bool:
    """Whether the queues wait in different disciplines, of which the kernel makes no such set by itself."""
    return len(set(found or ())) > 1


def make_anew(kernel: Kernel, index: int) -> None:
    """Have the kernel make its own root again; its own one cannot be taken away, so another one takes its place."""
    kernel.set_root_qdisc(index, "pfifo", b"", 0)
    kernel.drop_root_qdisc(index)
