"""Forged datagrams and connections on every port of the traffic, in every phase of a trial over the loopback interface.

Needs root: what is forged comes from the other end's own address and port.
"""

from __future__ import annotations

import random
import socket
import struct
import threading
import time
from collections import Counter
from typing import Any

from orchestrator.onhost.path import proof as path
from orchestrator.onhost.service.job_process import Job
from orchestrator.onhost.traffic import signs
from tests.onhost.traffic.own_ports import OWN_PORTS
from tests.onhost.traffic.test_forged_datagrams import FORGED
from tests.onhost.traffic.two_ends import JobFailed, Running, arguments, flow, other_end, times

FLOWS = (
    flow("transmit", "udp", datagram_bytes=600, intended_load_bit_s=8e6),
    flow("receive", "tcp", pacing_bit_s=8e6),
    flow("receive", "udp", datagram_bytes=96, intended_load_bit_s=4e6),
)


class Forger(threading.Thread):
    """Datagrams and connections of every kind, both ways and on all ports, until it is told to stop."""

    def __init__(self, args: dict[str, Any], seed: int) -> None:
        super().__init__(daemon=True)
        self._dice, self._args, self.over = random.Random(seed), args, threading.Event()
        self.counted: Counter[str] = Counter()

    def run(self) -> None:
        kinds = list(FORGED)
        numbers = [signs.first_number(self._args["token"], stream) for stream in range(3)]
        addresses = [self._args[end] for end in ("local", "peer")]
        with socket.socket(socket.AF_INET, socket.SOCK_RAW, socket.IPPROTO_RAW) as raw:
            while not self.over.is_set():
                for _ in range(50):
                    kind = self._dice.choice(kinds)
                    payload = FORGED[kind](self._dice, self._dice.choice(numbers))
                    source, to = self._dice.sample(addresses, 2)
                    port = self._dice.choice(self._args["ports"])
                    raw.sendto(packet(source, to, port, payload), (to, 0))
                    self.counted[f"datagram, {kind}"] += 1
                self._connect()
                time.sleep(0.002)

    def _connect(self) -> None:
        source, to = (self._args["local"], self._args["peer"])
        with socket.socket() as sock:
            sock.settimeout(0.02)
            kind = self._dice.choice(("half open", "closed at once", "garbage", "another token", "octet"))
            try:
                sock.bind((source, 0))
                sock.connect((to, self._dice.choice(self._args["ports"])))
                if kind == "garbage":
                    sock.send(self._dice.randbytes(self._dice.randrange(1, 3000)))
                elif kind == "octet":
                    sock.send(b"x")
                elif kind == "another token":
                    sock.send(signs.hello(signs.signer(signs.fresh_token()), 1, sock))
                if kind == "half open":
                    time.sleep(0.01)
            except OSError:
                kind = "refused"
        self.counted[f"connection, {kind}"] += 1


def packet(source: str, to: str, port: int, payload: bytes) -> bytes:
    """An IPv4 packet with a UDP datagram from and to the same port number."""
    udp = struct.pack("!HHHH", port, port, 8 + len(payload), 0) + payload
    return (
        struct.pack(
            "!BBHHHBBH4s4s", 0x45, 0, 20 + len(udp), 0, 0, 64, 17, 0, socket.inet_aton(source), socket.inet_aton(to)
        )
        + udp
    )


def forged_trial(seed: int, number: int) -> tuple[Counter[str], list[str]]:
    """(what was forged, what must not be) of one trial, from before its ports are open until after they are closed."""
    first = number % 19 * 10
    args = arguments([dict(one) for one in FLOWS], ports=OWN_PORTS[first : first + 4], round_trip=True, timeout_s=10.0)
    forger, problems = Forger(args, seed), []
    forger.start()
    serving = Running("serve", other_end(args))
    dialling = None
    try:
        serving.event("listening")
        time.sleep(0.1)  # strangers come while nobody else has
        dialling = Running("dial", args)
        dialling.event("connected", 12)
        serving.event("connected", 12)
        told = times(0.4)
        for one in (serving, dialling):
            one.job.tell(told)
        results = [one.result(20) for one in (dialling, serving)]
        problems += [
            f"{part['way']} {part['part']}: {part['error']}"
            for one in results
            for part in one["parts"]
            if part["error"]
        ]
        if not any(part.get("datagrams_foreign") for one in results for part in one["parts"]):
            problems.append("nothing was counted as forged")
    except (JobFailed, TimeoutError, EOFError) as error:
        problems.append(f"{type(error).__name__}: {error}")
    finally:
        forger.over.set()
        forger.join()
        serving.end()
        if dialling:
            dialling.end()
    return forger.counted, problems


def forged_path_proof(seed: int) -> tuple[Counter[str], list[str]]:
    """The same of a path proof."""
    args = {**arguments([], ports=OWN_PORTS[-1:]), "port": OWN_PORTS[-1], "mtu": 1500, "small_first_timeout_s": 5.0}
    forger, problems = Forger(args, seed), []
    forger.start()
    jobs = [Job(1, "path.answer", path.answer, other_end(args), 30.0), Job(2, "path.probe", path.probe, args, 30.0)]
    try:
        found = _body(jobs[1])
        jobs[0].tell({"done": True})
        other = _body(jobs[0])
        if max(found["received"], default=[0, 0]) < [1500, 1] or not other["received"]:
            problems.append(f"the path does not carry: {found}")
    except (TimeoutError, AssertionError) as error:
        problems.append(f"{type(error).__name__}: {error}")
    finally:
        forger.over.set()
        forger.join()
        for job in jobs:
            job.kill()
            while not job.reap():
                time.sleep(0.01)
    return forger.counted, problems


def _body(job: Job, timeout_s: float = 25.0) -> dict[str, Any]:
    until = time.monotonic() + timeout_s
    while time.monotonic() < until:
        for frame in job.receive()[0]:
            assert frame["kind"] != "error", frame["body"]
            if frame["kind"] == "done":
                return dict(frame["body"])
        time.sleep(0.01)
    raise TimeoutError(f"{job.verb} did not end in {timeout_s} s")
