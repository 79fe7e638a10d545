"""For each code with which a host refuses: what raises it, or the tests that meet it on their way."""

from __future__ import annotations

import errno
import os
import socket
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from orchestrator.onhost import netlink
from orchestrator.onhost.bsd.traffic import kernel as bsd_kernel
from orchestrator.onhost.path import answering, ready, wiring
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import accepting, renewal_line
from orchestrator.onhost.safety.record import Record
from orchestrator.onhost.service import job_process
from orchestrator.onhost.service.bounded import run_bounded
from orchestrator.onhost.service.frames import FrameReader
from orchestrator.onhost.service.helper import Helper
from orchestrator.onhost.service.job_process import Job
from orchestrator.onhost.service.talk import Talk
from orchestrator.onhost.settings.base import Setting
from orchestrator.onhost.settings.kernel import Kernel
from orchestrator.onhost.system import device_socket
from orchestrator.onhost.traffic import flows, message_vector, udp_paths
from orchestrator.onhost.traffic.job import Traffic
from orchestrator.onhost.traffic.udp_receive import UdpReceive
from orchestrator.onhost.traffic.udp_send import UdpSend
from orchestrator.onhost.traffic.window import Window

Patch = pytest.MonkeyPatch
ASK = {"interface": "lo", "address": "127.0.0.9", "source": "127.0.0.1", "peer": "127.0.0.9"}

# The code is met in these files, most of them with real processes, sockets and hosts.
TESTS = {
    "busy": "onhost/test_lease.py",
    "unclean": "onhost/test_lease.py",
    "stale": "onhost/test_lease.py",
    "expired": "onhost/test_changes.py",
    "no_lease": "onhost/test_lease.py",
    "not_prepared": "onhost/test_watchdog.py",
    "unrestored": "onhost/test_watchdog.py",
    "locked": "onhost/test_record.py",
    "record": "onhost/test_record.py",
    "watchdog": "onhost/test_restoring_in_trouble.py",
    "cannot": "onhost/test_refusals_of_drivers.py",
    "stuck": "onhost/test_restoring_in_trouble.py",
    "changed_outside": "onhost/test_external_watch.py",
    "too_late": "onhost/traffic/test_window.py",
    "bad_window": "onhost/traffic/test_window.py",
    "unconfirmed": "onhost/test_lease.py",
    "same_session": "onhost/test_lease.py",
    "reverted": "onhost/test_lease.py",
    "nothing_to_confirm": "onhost/test_lease.py",
    "interface_missing": "onhost/traffic/test_failures.py",
    "address_not_ready": "onhost/traffic/test_failures.py",
    "port_in_use": "onhost/traffic/test_failures.py",
    "needs_root": "onhost/test_wiring.py",
    "congestion_missing": "onhost/traffic/test_failures.py",
    "core_missing": "onhost/traffic/test_failures.py",
    "zero_copy_missing": "onhost/traffic/test_no_copy.py",
    "datagram_size": "onhost/traffic/test_failures.py",
    "too_few_ports": "onhost/traffic/test_failures.py",
    "not_connected": "onhost/traffic/test_failures.py",
    "peer_lost": "onhost/traffic/test_failures.py",
    "stream_died": "onhost/traffic/test_failures.py",
    "bad_request": "onhost/test_messages.py",
    "unknown_verb": "onhost/test_messages.py",
    "repeated": "onhost/test_helper.py",
    "too_many": "onhost/test_helper.py",
    "timeout": "onhost/test_helper.py",
    "cancelled": "onhost/test_helper.py",
    "memory": "onhost/test_helper.py",
    "exhausted": "onhost/test_helper.py",
    "bug": "onhost/test_helper.py",
}


def fails(number: int) -> Callable[..., Any]:
    """A call that the kernel answers with an error."""

    def call(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    return call


class _Raw:
    """A raw socket that the kernel binds to nothing."""

    bind = staticmethod(fails(errno.ENODEV))

    def __enter__(self) -> _Raw:
        return self

    def __exit__(self, *_: object) -> None:
        pass


def _setting_refused(number: int) -> None:
    with Setting(Kernel())._explained("e0"):
        fails(number)()


def _accepted(**left: object) -> None:
    entry = {"setting": "mtu", "target": "e0", **left}
    accepting.require_acceptable({"restored": [], "left": [entry], "conflicts": []}, None, "0" * 64)  # type: ignore[typeddict-item,list-item]


def _opened(number: int) -> None:
    raise device_socket.refused_to_open(OSError(number, os.strerror(number)), "e0", "10.0.0.1", "10.0.0.2", 9)


def _not_forgotten(patch: Patch) -> None:
    patch.setattr(netlink, "forget_learned", fails(errno.EIO))
    ready.forget("lo", "::9")


def _without_raw_frames(patch: Patch) -> None:
    patch.delattr(socket, "AF_PACKET")
    device_socket.raw_socket(1)


def _not_asked(patch: Patch) -> None:
    patch.setattr(answering, "raw_socket", lambda kind: _Raw())
    answering.who_answers({"interface": "e9", "address": "10.0.0.9", "source": "10.0.0.1"})


def _wiring_not_sent(patch: Patch) -> None:
    patch.setattr(wiring, "raw_socket", lambda kind: _Raw())
    wiring.call({"token": "0" * 64, "interface": "e9", "number": 1})


def _no_control_path(patch: Patch) -> None:
    patch.setattr(renewal_line, "control_path", lambda: {"local": "", "peer": "", "interface": "", "interfaces": []})
    renewal_line.RenewalLine(Record("/nonexistent"), 1, b"key")


def _flow(**words: object) -> None:
    given = {"way": "transmit", "transport": "tcp", **words}
    addresses = {"local": words.get("local", "10.0.0.1"), "peer": "10.0.0.2", "family": 4, "interface": "e0"}
    flows.read_args({**addresses, "token": "0" * 64, "ports": [9], "mtu": 1500, "flows": [given]}, serving=True)


def _stream_fails(kind: type, *arguments: object) -> None:
    process: Any = object.__new__(kind)
    ours, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
    with ours, theirs, socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        process.sock = sock
        process.stream = SimpleNamespace(number=1, flow=SimpleNamespace(datagram_bytes=1000))
        check = process._may_go_on if kind is UdpSend else process._check
        check(*arguments)


def _not_ready(patch: Patch) -> None:
    with _talk() as (talk, _):
        traffic = Traffic(SimpleNamespace(streams=[1], timeout_s=0.01), {}, talk)  # type: ignore[arg-type]
        worker = SimpleNamespace(ready=False, output=-1)
        patch.setattr("orchestrator.onhost.traffic.job.workers.make", lambda *_: None)
        patch.setattr("orchestrator.onhost.traffic.job.Worker", lambda made: worker)
        traffic.pair.streams = [SimpleNamespace(number=1)]  # type: ignore[misc,list-item]
        traffic.run({1: None})


class _talk:  # noqa: N801 - used like a function
    """A job's line, and the helper's end of it."""

    def __enter__(self) -> tuple[Talk, socket.socket]:
        self._ends = socket.socketpair()
        return Talk(self._ends[0]), self._ends[1]

    def __exit__(self, *_: object) -> None:
        for end in self._ends:
            end.close()


def _not_told(_: Patch) -> None:
    with _talk() as (talk, _helper):
        talk.wait(0.01)


def _helper_gone(_: Patch) -> None:
    with _talk() as (talk, helper):
        helper.close()
        talk.wait(5.0)


def _damaged(_: Patch) -> None:
    with _talk() as (talk, helper):
        helper.sendall(b"no frame of ours at all")
        talk.wait(5.0)


def _too_large(_: Patch) -> None:
    with _talk() as (talk, helper):
        job_process._answer(talk, "survey", lambda _: {"text": "x" * 5_000_000})
        (frame,) = FrameReader().feed(helper.recv(65536))
        error: Any = frame["body"]
        raise Refusal(error["code"], error["message"], **error["values"])


def _too_much(_: Patch) -> None:
    job: Any = object.__new__(job_process.Job)
    with _talk() as (talk, helper):
        talk._line.sendall(b"more than a job may say")
        job.line, job.verb, job._began_s, job._received_bytes = helper, "survey", 1e12, 1 << 40
        job.receive()


def _died(patch: Patch) -> None:
    def refuse(_: Helper, __: Job, refusal: Refusal) -> None:
        raise refusal

    patch.setattr(Helper, "_refuse", refuse)
    job: Any = SimpleNamespace(receive=lambda: ([], False), answered=False, verb="survey")
    object.__new__(Helper)._hear_job(job)


def _no_way_to_send(_: Patch) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:  # connected to nobody
        udp_paths.choose_send_path(sock, 1000, 1, None)


def _no_way_to_receive(patch: Patch) -> None:
    patch.setattr(message_vector, "is_offered", lambda name: False)
    process: Any = object.__new__(UdpReceive)
    process.stream = SimpleNamespace(flow=SimpleNamespace(receive_path="batch"))
    process._choose_path()


SAMPLES: dict[str, Callable[[Patch], object]] = {
    "no_privilege": lambda _: _setting_refused(errno.EPERM),
    "unreadable": lambda _: _accepted(now=None),
    "changed_since": lambda _: _accepted(now=9000),
    "no_route": lambda _: _opened(errno.EHOSTUNREACH),
    "socket_refused": lambda _: _opened(errno.EIO),
    "not_forgotten": _not_forgotten,
    "no_raw_frames": _without_raw_frames,
    "not_asked": _not_asked,
    "wiring_not_sent": _wiring_not_sent,
    "no_control_path": _no_control_path,
    "pacing_missing": lambda _: bsd_kernel.set_pacing(None, 1),  # type: ignore[arg-type]
    "bad_address": lambda _: _flow(local="fd00::1"),
    "unknown_flow": lambda _: _flow(way="sideways"),
    "send_failed": lambda _: _stream_fails(UdpSend, errno.EIO, 1),
    "receive_failed": lambda _: _stream_fails(UdpReceive, errno.EIO, 0, Window(0, 0, 1, 1, 1, 1)),
    "send_path": _no_way_to_send,
    "receive_path": _no_way_to_receive,
    "not_ready": _not_ready,
    "not_told": _not_told,
    "helper_gone": _helper_gone,
    "damaged": _damaged,
    "too_large": _too_large,
    "too_much": _too_much,
    "died": _died,
    "failed": lambda _: run_bounded(lambda: os._exit(1), 5.0),
}
