"""The one process of a lab that lives on the machine itself: makes the outer namespaces and cleans up after them.

`python -m orchestrator.lab.warden DESCRIPTOR SERVER`, the scenario on standard input; ends when the lab has ended.
"""

from __future__ import annotations

import json
import os
import socket
import sys

from orchestrator.lab import ground, namespaces
from orchestrator.lab.cpu_group import CpuGroup, remove_left_over
from orchestrator.lab.places import path_with_system_folders
from orchestrator.lab.scenario import Scenario

_OUTER = namespaces.NEW_NET | namespaces.NEW_MOUNT | namespaces.NEW_PID | namespaces.NEW_IPC | namespaces.NEW_UTS


def main() -> int:
    """Build, wait, clean up."""
    report, server = socket.socket(fileno=int(sys.argv[1])), sys.argv[2]
    scenario = Scenario.from_json(sys.stdin.read())
    os.environ["PATH"] = path_with_system_folders(os.environ.get("PATH"))
    groups: dict[str, CpuGroup] = {}
    try:
        if os.geteuid() != 0:
            namespaces.become_root_of_own_user_namespace()
        else:
            remove_left_over()
            groups = {host.name: CpuGroup(host.name) for host in scenario.hosts if host.slow_board}
        namespaces.unshare(_OUTER)
    except OSError as error:
        report.send(json.dumps({"error": ground.in_words(error)}).encode())
        return 1
    first = os.fork()
    if first == 0:
        namespaces.die_with_parent()
        ground.run(scenario, server, report, groups)
    report.close()
    os.waitpid(first, 0)
    for group in groups.values():
        group.remove()
    return 0


if __name__ == "__main__":
    sys.exit(main())
