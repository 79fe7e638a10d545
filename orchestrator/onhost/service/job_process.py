"""One job: a forked child with bounds in time and output, and the child's own side."""

from __future__ import annotations

import contextlib
import functools
import os
import signal
import socket
import time
import traceback
from typing import Callable, List, Mapping, Optional, Tuple

from orchestrator.onhost.refusal import Refusal, refusal_of
from orchestrator.onhost.safety.watchdog import TRAFFIC_NAME
from orchestrator.onhost.service.frames import FrameError, FrameReader, Message, encode
from orchestrator.onhost.service.messages import Arguments
from orchestrator.onhost.service.talk import Talk
from orchestrator.onhost.system.process import close_all_but, die_with_parent, session_members, set_process_name

# All frames of one job together, at most: what a job may say at once, and what it may say in each second that it runs
# (sixteen cores and two ways make some 3 kB a second).
OUTPUT_LIMIT_BYTES, OUTPUT_LIMIT_BYTES_S = 32 * 1024 * 1024, 64 * 1024
JobFunction = Callable[[Arguments, Talk], Mapping[str, object]]


class Job:
    """The helper's handle on a job: its line, its process group and its bounds."""

    def __init__(
        self,
        number: int,
        verb: str,
        function: JobFunction,
        args: Arguments,
        timeout_s: float,
        lease_token: Optional[int] = None,
    ) -> None:
        """Fork the child; from here on it must be ended with `kill` or reaped.

        `lease_token` is the lease that it may not outlive; None for a job that no lease is needed for.
        """
        self.lease_token = lease_token
        self.number, self.verb = number, verb
        self.timeout_s = timeout_s
        self._began_s = time.monotonic()
        self.ends_at = self._began_s + timeout_s
        self.answered = False
        self._reader = FrameReader()
        self._received_bytes = 0
        self.line, childs_line = socket.socketpair()
        parent = os.getpid()
        self.pid = os.fork()
        if self.pid == 0:
            if lease_token is not None:
                set_process_name(TRAFFIC_NAME)  # by which the watchdog finds it where the helper hangs
            _run_in_child(parent, childs_line, verb, function, args)
        childs_line.close()
        self.line.setblocking(False)

    def tell(self, body: Mapping[str, object]) -> bool:
        """Pass on what the controller says to this job; False when the job does not listen any more."""
        try:
            self.line.sendall(encode(body))
        except OSError:
            return False
        return True

    def receive(self) -> Tuple[List[Message], bool]:
        """The frames that have come, and whether the job is still connected. Refusal when it says too much."""
        try:
            data = self.line.recv(262144)
        except BlockingIOError:
            return [], True
        except OSError:
            data = b""
        self._received_bytes += len(data)
        limit_bytes = OUTPUT_LIMIT_BYTES + OUTPUT_LIMIT_BYTES_S * (time.monotonic() - self._began_s)
        if self._received_bytes > limit_bytes:
            raise Refusal("too_much", f"{self.verb} answered more than {limit_bytes:.0f} bytes")
        try:
            return list(self._reader.feed(data)), bool(data)
        except FrameError as error:
            raise Refusal("damaged", f"{self.verb} answered something unreadable: {error}") from error

    def kill(self) -> None:
        """End the job and everything it started. It is not reaped yet, so that its number stays its own."""
        self.line.close()
        for end in (os.killpg, os.kill):
            with contextlib.suppress(OSError):
                end(self.pid, signal.SIGKILL)
        if not self.answered:  # one that answered has cleaned up behind itself
            for pid in session_members(self.pid):
                with contextlib.suppress(OSError):
                    os.kill(pid, signal.SIGKILL)

    def reap(self) -> bool:
        """Collect the ended process; False while it still ends (it may be stuck in the kernel)."""
        try:
            return os.waitpid(self.pid, os.WNOHANG)[0] != 0
        except ChildProcessError:
            return True


def _run_in_child(parent: int, line: socket.socket, verb: str, function: JobFunction, args: Arguments) -> None:
    """The child's whole life; never returns."""
    code = 1
    try:
        talk = Talk(line)
        _answer(talk, verb, functools.partial(_work, parent, line, function, args))
        code = 0
    except BaseException:
        traceback.print_exc()
    finally:
        os._exit(code)


def _work(parent: int, line: socket.socket, function: JobFunction, args: Arguments, talk: Talk) -> Mapping[str, object]:
    """Become a process of its own, and do what is asked."""
    die_with_parent(parent)
    os.setsid()
    for number in (signal.SIGCHLD, signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGPIPE):
        signal.signal(number, signal.SIG_IGN if number == signal.SIGPIPE else signal.SIG_DFL)
    signal.set_wakeup_fd(-1)
    close_all_but({0, 1, 2, line.fileno()})  # above all the SSH channel's pipes and other jobs' lines
    return function(args, talk)


def _answer(talk: Talk, verb: str, work: Callable[[Talk], Mapping[str, object]]) -> None:
    """Exactly one answer, whatever is raised: also an error that would end a process in silence."""
    try:
        talk.send("done", work(talk))
    except FrameError as error:
        talk.send("error", Refusal("too_large", f"the answer does not fit into one message: {error}").as_dict())
    except BaseException as error:
        talk.send("error", refusal_of(error, verb).as_dict())
