"""Stream processes: forked warm from the job, without privilege, ended with it; results come back over a pipe.

While it runs, a process says a line for each second of intervals, which never makes it wait: when the pipe is full
because the job stands still, the line is left out.
"""

from __future__ import annotations

import contextlib
import gc
import json
import os
import signal
import socket
import traceback
from functools import partial
from typing import List, Mapping, Optional, Tuple, cast

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.service.descriptors import point_standard_files_at_null
from orchestrator.onhost.system.process import close_all_but, die_with_parent
from orchestrator.onhost.traffic import kernel
from orchestrator.onhost.traffic.flows import Pair, Stream
from orchestrator.onhost.traffic.results import StreamResult
from orchestrator.onhost.traffic.stream import StreamProcess
from orchestrator.onhost.traffic.tcp_receive import TcpReceive
from orchestrator.onhost.traffic.tcp_send import TcpSend
from orchestrator.onhost.traffic.udp_receive import UdpReceive
from orchestrator.onhost.traffic.udp_send import UdpSend
from orchestrator.onhost.traffic.window import Window

_NOBODY = 65534
_READY = b"r"
_KINDS = {("tcp", True): TcpSend, ("tcp", False): TcpReceive, ("udp", True): UdpSend, ("udp", False): UdpReceive}


class Worker:
    """The job's handle on one stream process."""

    def __init__(self, process: StreamProcess) -> None:
        """Fork; the child prepares at once and then waits for its window."""
        self.stream = process.stream
        self.counts = process.counts
        self.ready = False
        self.result: Optional[StreamResult] = None
        self.intervals: List[Tuple[int, List[float], List[int]]] = []  # told, and not taken yet
        self._said = bytearray()
        childs_orders, self._orders = os.pipe()
        self.output, childs_output = os.pipe()
        parent = os.getpid()
        self.pid = os.fork()
        if self.pid == 0:
            _live(process, parent, childs_orders, childs_output)
        os.close(childs_orders)
        os.close(childs_output)
        os.set_blocking(self.output, False)

    def start(self, window: Window) -> None:
        """Tell the window; the process starts by its own clock."""
        with contextlib.suppress(OSError):  # a process that has died is noticed by what it says, not by this
            os.write(self._orders, json.dumps(window).encode() + b"\n")

    def hear(self) -> None:
        """Take in what the process says. Refusal when it refuses, or has died."""
        try:
            data = os.read(self.output, 1 << 20)
        except BlockingIOError:
            return
        self._said += data
        if not self.ready and self._said[:1] == _READY:
            self.ready = True
            del self._said[:1]
        self._take_lines()
        if data:
            return
        self._finish()

    def _take_lines(self) -> None:
        """Whole lines are intervals; what comes without a line's end is the result."""
        end = self._said.rfind(b"\n") + 1
        if end:
            lines = bytes(self._said[:end]).splitlines()
            del self._said[:end]
            self.intervals += [(first, octets, datagrams) for first, octets, datagrams in map(json.loads, lines)]

    def take_intervals(self) -> List[Tuple[int, List[float], List[int]]]:
        """(first one's number, octets, datagrams) told since the last call."""
        taken, self.intervals = self.intervals, []
        return taken

    def _finish(self) -> None:
        self.close()
        _, status = os.waitpid(self.pid, 0)
        self.pid = 0
        try:
            said = json.loads(bytes(self._said))
        except ValueError:
            ended = f"signal {os.WTERMSIG(status)}" if os.WIFSIGNALED(status) else f"exit {os.WEXITSTATUS(status)}"
            raise Refusal(
                "stream_died",
                f"the process of stream {self.stream.number} ended without a result ({ended})",
                stream=self.stream.number,
            ) from None
        if "refused" in said:
            code, message, values = said["refused"]
            raise Refusal(code, message, **values)
        self.result = cast(StreamResult, said)  # by our own child

    def close(self) -> None:
        """Close this end's pipes."""
        for descriptor in (self.output, self._orders):
            if descriptor >= 0:
                os.close(descriptor)
        self.output = self._orders = -1

    def kill(self) -> None:
        """End the process, by its number, and collect it."""
        self.close()
        if self.pid:
            with contextlib.suppress(OSError):
                os.kill(self.pid, signal.SIGKILL)
                os.waitpid(self.pid, 0)
            self.pid = 0


def make(pair: Pair, stream: Stream, sock: socket.socket) -> StreamProcess:
    """The process object for a stream's half on this end."""
    return _KINDS[stream.flow.transport, stream.sends_here](pair, stream, sock)


def _live(process: StreamProcess, parent: int, orders: int, output: int) -> None:
    """The child's whole life; never returns."""
    code = 1
    try:
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, signal.SIG_DFL)
        point_standard_files_at_null()
        close_all_but({0, 1, 2, orders, output, process.sock.fileno()})
        _give_up_privilege()
        die_with_parent(parent)  # after the change of user, which clears the wish
        _say(output, _conversation(process, orders, output))
        code = 0
    except BaseException:
        with contextlib.suppress(OSError):
            _say(output, {"refused": ["bug", traceback.format_exc()[-4000:], {}]})
    finally:
        os._exit(code)


def _conversation(process: StreamProcess, orders: int, output: int) -> Mapping[str, object]:
    try:
        _pin(process)
        process.prepare()
        gc.freeze()
        gc.disable()  # a collection in the middle of the traffic would be a pause of the instrument's own
        os.write(output, _READY)
        line = os.read(orders, 4096)
        if not line:
            os._exit(0)  # ended before it began
        os.set_blocking(output, False)
        process.report = partial(_report, output)
        result = process.run(Window(*json.loads(line)))
    except Refusal as refusal:
        return {"refused": [refusal.code, refusal.message, refusal.values]}
    result["stream"] = process.stream.number
    result["last_interval"] = process.last_interval
    result["core"] = process.core()
    result["source_port"] = process.sock.getsockname()[1]
    return result


def _report(output: int, first: int, octets: List[float], datagrams: List[int]) -> None:
    """A line of at most PIPE_BUF octets, which a pipe takes whole or not at all (pipe(7))."""
    with contextlib.suppress(BlockingIOError):
        os.write(output, json.dumps([first, octets, datagrams]).encode() + b"\n")


def _say(output: int, message: Mapping[str, object]) -> None:
    os.set_blocking(output, True)
    data = memoryview(json.dumps(message).encode())
    while data:
        data = data[os.write(output, data) :]


def _pin(process: StreamProcess) -> None:
    flow = process.stream.flow
    core = flow.sender_core if process.stream.sends_here else flow.receiver_core
    if core is None:
        return
    try:
        kernel.run_on_core(core)
    except OSError as error:
        raise Refusal(
            "core_missing", f"there is no core {core} to run on here", core=core, errno=error.errno
        ) from error


def _give_up_privilege() -> None:
    """Whatever arrives from the network meets a process that may do nothing but send and receive."""
    kernel.refuse_new_privileges()
    if os.geteuid() != 0:
        return
    with contextlib.suppress(OSError):  # in a user namespace "nobody" may have no number
        os.setgroups([])
        os.setresgid(_NOBODY, _NOBODY, _NOBODY)
        os.setresuid(_NOBODY, _NOBODY, _NOBODY)
