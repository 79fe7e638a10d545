"""The first process of a lab: makes the places, plugs them together, and ends the lab by ending.

It is process 1 of a PID namespace, so that one kill (of it, of its parent, or of the program that made the lab) takes
every process of the lab along, and with them every namespace, interface and mount.
"""

from __future__ import annotations

import errno
import json
import os
import select
import socket
import sys
import traceback
from collections.abc import Callable
from pathlib import Path

from orchestrator.lab import board, hosts, namespaces, ssh_openssh, wiring
from orchestrator.lab.cpu_group import CpuGroup
from orchestrator.lab.scenario import LabHost, Scenario

LAB_FOLDER = Path("/run/linktrial-lab.d")  # keys and SSH configuration, in the controller's place
_NOT_ALLOWED = (errno.EPERM, errno.EACCES, errno.ENOSPC, errno.EINVAL)  # ENOSPC: a limit on namespaces is reached
_PLACE = namespaces.NEW_NET | namespaces.NEW_MOUNT | namespaces.NEW_UTS | namespaces.NEW_PID | namespaces.NEW_IPC


class Ground:
    """Builds the lab step by step; every place reports by itself, so that its process number is known outside."""

    def __init__(self, scenario: Scenario, server: str, report: socket.socket, groups: dict[str, CpuGroup]) -> None:
        """`server`: "openssh" or "asyncssh"; `report`: to the program outside; `groups`: those of slow boards."""
        self.scenario = scenario
        self.server = server
        self.report = report
        self.groups = groups
        self.ends: dict[str, socket.socket] = {}
        self.pids: dict[str, int] = {}

    def build(self) -> None:
        """All of it; returns when every host answers SSH."""
        namespaces.keep_mounts_to_ourselves()
        hosts.own_kernel_views()
        namespaces.mount_tmpfs("/run")
        LAB_FOLDER.mkdir()
        host_keys, public_key = self._make_keys()
        self._make_place("switch", self._be_switch)
        for host in self.scenario.hosts:
            self._make_place(host.name, self._be_host(host, host_keys[host.name], public_key))
        for name, end in self.ends.items():
            self.pids[name] = namespaces.receive_with_pid(end)[1]
        self.pids["controller"] = os.getpid()
        wiring.plug_everything_in(self.scenario, self.pids)
        for end in self.ends.values():
            end.send(b"wired")
        wiring.configure_controller_end()
        for name in self.ends:
            self._wait_for(name)

    def tell(self, **message: object) -> None:
        """One message to the program outside, which also learns from it who we are."""
        self.report.send(json.dumps(message).encode())

    def wait_for_the_end(self) -> None:
        """Until the program outside closes its end or dies."""
        select.select([self.report], [], [])

    def _wait_for(self, name: str) -> None:
        answer = namespaces.receive_with_pid(self.ends[name])[0].decode()
        if answer != "done":
            raise RuntimeError(answer or f"{name} ended while it was being made")

    def _make_place(self, name: str, be: Callable[[socket.socket], None]) -> None:
        """Fork a process that becomes process 1 of new namespaces (a PID namespace begins with the next child)."""
        ours, theirs = namespaces.message_pair()
        between = os.fork()
        if between == 0:
            namespaces.unshare(_PLACE)
            if os.fork():
                os._exit(0)
            self._run_place(name, be, theirs)
        os.waitpid(between, 0)
        theirs.close()
        self.ends[name] = ours

    def _run_place(self, name: str, be: Callable[[socket.socket], None], end: socket.socket) -> None:
        try:
            namespaces.name_process(f"lab-{name}")
            namespaces.set_hostname(name)
            namespaces.keep_mounts_to_ourselves()
            hosts.own_kernel_views()
            end.send(b"here")
            self.tell(place=name)
            be(end)
            end.send(b"done")
            end.close()
            hosts.sleep_until_killed()
        except BaseException:  # a forked process must not return into its parent's stack
            end.send(f"{name}: {traceback.format_exc()}".encode()[-30000:])
        finally:
            os._exit(1)

    def _be_switch(self, end: socket.socket) -> None:
        namespaces.receive_with_pid(end)  # the cables are there
        wiring.configure_switch(self.scenario)

    def _be_host(self, host: LabHost, host_key: bytes, public_key: str) -> Callable[[socket.socket], None]:
        def be(end: socket.socket) -> None:
            server_end = self._fork_server(host, host_key, public_key) if self.server == "asyncssh" else None
            hosts.own_folders(host)
            if host.name in self.groups:
                board.start(self.groups[host.name])
            hosts.accept_keys(host, public_key)
            hosts.leave_the_machine_alone()
            namespaces.receive_with_pid(end)  # the cables are there
            wiring.configure_host_ends(host)
            if server_end is None:
                ssh_openssh.start(host, host_key)
            else:
                server_end.send(b"ready")
                if namespaces.receive_with_pid(server_end)[0] != b"listening":
                    raise RuntimeError("the SSH server ended")

        return be

    def _fork_server(self, host: LabHost, host_key: bytes, public_key: str) -> socket.socket:
        """Start the server's process while the machine's files, and so our own code, are still in view."""
        from orchestrator.lab import ssh_inprocess

        ours, theirs = namespaces.message_pair()
        if os.fork():
            return ours
        try:
            host_view = os.open("/proc/self/ns/mnt", os.O_RDONLY)
            namespaces.unshare(namespaces.NEW_MOUNT)
            namespaces.receive_with_pid(theirs)
            if host.name in self.groups:
                self.groups[host.name].enter()
            ssh_inprocess.serve_for_ever(host, host_key, public_key, host_view, lambda: theirs.sendall(b"listening"))
        except BaseException:  # as in _run_place
            traceback.print_exc()
        finally:
            os._exit(1)

    def _make_keys(self) -> tuple[dict[str, bytes], str]:
        """Fresh keys for the controller and each host; writes the configuration the controller uses."""
        import asyncssh

        user_key = asyncssh.generate_private_key("ssh-ed25519", "linktrial-lab")
        user_key.write_private_key(str(LAB_FOLDER / "id_ed25519"))
        (LAB_FOLDER / "id_ed25519").chmod(0o600)
        keys, known, blocks = {}, [], []
        for host in self.scenario.hosts:
            key = asyncssh.generate_private_key("ssh-ed25519", host.name)
            keys[host.name] = key.export_private_key()
            public = " ".join(key.export_public_key().decode().split()[:2])
            known.append(f"{host.name},{host.control_address} {public}\n")
            blocks.append(f"Host {host.name}\n  HostName {host.control_address}\n")
        (LAB_FOLDER / "known_hosts").write_text("".join(known))
        everywhere = (
            f"Host *\n  User root\n  IdentityFile {LAB_FOLDER}/id_ed25519\n  IdentitiesOnly yes\n"
            f"  UserKnownHostsFile {LAB_FOLDER}/known_hosts\n  StrictHostKeyChecking yes\n"
        )
        (LAB_FOLDER / "ssh_config").write_text("".join(blocks) + everywhere)
        return keys, user_key.export_public_key().decode()


def in_words(error: BaseException) -> str:
    """Why the lab cannot be made, with what would allow it where it is a matter of permission."""
    said = str(error) or repr(error)
    if not isinstance(error, OSError) or error.errno not in _NOT_ALLOWED:
        return said
    if os.geteuid() == 0 and not namespaces.in_user_namespace_of_our_own():
        return f"{said}. Root may not make namespaces here; a container needs CAP_SYS_ADMIN for that"
    return (
        f"{said}. An ordinary user needs unprivileged user namespaces, which are not allowed here. Run it as root, "
        "or have them allowed: sysctl user.max_user_namespaces above 0, kernel.unprivileged_userns_clone=1 (Debian "
        "before 11), kernel.apparmor_restrict_unprivileged_userns=0 (Ubuntu)"
    )


def run(scenario: Scenario, server: str, report: socket.socket, groups: dict[str, CpuGroup]) -> None:
    """Process 1 of the lab; never returns."""
    ground = Ground(scenario, server, report, groups)
    try:
        ground.tell(place="controller")
        ground.build()
        ground.tell(built=True)
        ground.wait_for_the_end()
    except BaseException as error:  # a forked process must not return into its parent's stack
        traceback.print_exc()
        ground.tell(error=in_words(error))
    finally:
        sys.stderr.flush()
        os._exit(0)
