"""Run a program inside a lab's place: `... -m orchestrator.lab.enter PID KINDS GROUP FOLDER PROGRAM ARGUMENT...`.

Like a plain child to its caller: signals sent to this process reach the program, its exit status (or the signal that
ended it) becomes ours, and when this process is killed the kernel kills the program. util-linux's nsenter does neither.
"""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

from orchestrator.lab import namespaces

_ORDER = (
    ("user", namespaces.NEW_USER),
    ("ipc", namespaces.NEW_IPC),
    ("uts", namespaces.NEW_UTS),
    ("net", namespaces.NEW_NET),
    ("pid", namespaces.NEW_PID),
    ("mnt", namespaces.NEW_MOUNT),
)
_FORWARDED = (
    signal.SIGINT,
    signal.SIGTERM,
    signal.SIGHUP,
    signal.SIGQUIT,
    signal.SIGUSR1,
    signal.SIGUSR2,
    signal.SIGWINCH,
)


def main() -> int:
    """Enter, start, forward signals, wait."""
    pid, kinds, group, folder = sys.argv[1], sys.argv[2].split(","), sys.argv[3], sys.argv[4]
    program = sys.argv[5:]
    signal.pthread_sigmask(signal.SIG_BLOCK, {*_FORWARDED, signal.SIGCHLD})
    opened = [(os.open(f"/proc/{pid}/ns/{kind}", os.O_RDONLY), flag) for kind, flag in _ORDER if kind in kinds]
    if group:  # the CPU quota of a slow board holds for everything that runs there
        Path(group, "cgroup.procs").write_text("0")
    for descriptor, flag in opened:
        namespaces.setns(descriptor, flag)
        os.close(descriptor)
    child = os.fork()
    if child == 0:
        _become(program, folder)
    return _wait(child)


def _become(program: list[str], folder: str) -> None:
    namespaces.die_with_parent()
    os.setpgid(0, 0)  # or Ctrl-C, which the terminal sends to the whole group, would come twice
    try:
        os.chdir(folder)
    except OSError:  # the caller's folder does not exist in there
        os.chdir("/")
    signal.pthread_sigmask(signal.SIG_SETMASK, set())
    for number in (signal.SIGPIPE, signal.SIGXFSZ):  # Python ignores these two, and a child would inherit that
        signal.signal(number, signal.SIG_DFL)
    try:
        os.execvp(program[0], program)  # noqa: S606 - no shell is the point
    except OSError as error:
        sys.stderr.write(f"{program[0]}: {error.strerror}\n")
        os._exit(127)


def _wait(child: int) -> int:
    """The child's exit status; every signal is passed on."""
    while True:
        received = signal.sigwait({*_FORWARDED, signal.SIGCHLD})
        if received != signal.SIGCHLD:
            os.kill(child, received)
        ended, status = os.waitpid(child, os.WNOHANG)
        if ended:
            break
    if os.WIFSIGNALED(status):  # end as the program ended, so that the caller sees the same
        number = os.WTERMSIG(status)
        signal.signal(number, signal.SIG_DFL) if number != signal.SIGKILL else None
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {number})
        os.kill(os.getpid(), number)
    return os.waitstatus_to_exitcode(status)


if __name__ == "__main__":
    sys.exit(main())
