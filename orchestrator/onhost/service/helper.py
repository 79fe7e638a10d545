"""The helper's loop: requests come in, jobs are forked, answers go out; one thread, every wait bounded.

Standard input and output are taken away from the rest of the program at the start (a stray print must not end up
between two frames). The loop itself never does anything that can block: whatever reads or changes the host runs in
a forked job, killed when its time is up, when the controller cancels it, and when the helper ends.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import signal
import sys
import time
import traceback
from typing import Dict, List, Mapping, Optional, Set

from orchestrator.onhost.refusal import Refusal, refusal_of
from orchestrator.onhost.safety import holding
from orchestrator.onhost.safety.answers import RenewalsHeard
from orchestrator.onhost.safety.lease_watch import LeaseWatch
from orchestrator.onhost.safety.record import Record, boot_id
from orchestrator.onhost.safety.renewal_line import RenewalLine
from orchestrator.onhost.service import jobs, messages
from orchestrator.onhost.service.frames import FrameError, FrameReader, Message, encode
from orchestrator.onhost.service.job_process import Job
from orchestrator.onhost.system.process import set_process_name

JOBS_AT_ONCE = 32
RENEWALS_BESIDE = 4  # a host full of jobs must not end its lease for want of a process
ENDS_WITH_LEASE = frozenset({"traffic.serve", "traffic.dial", "path.answer", "path.probe"})  # what sends and receives
LEASE_LOOK_S = 0.25
UNSENT_LIMIT_BYTES = 1024 * 1024  # above this, jobs are not read from until the controller has taken some
IDLE_TIMEOUT_S = 3600.0  # a controller that says nothing for so long is gone (it asks for the clock far more often)
WATCH_EVERY_S = 2.0
WATCH_TIMEOUT_S = 30.0
_WATCH_NUMBER = -1
LONGEST_SLEEP_S = 1.0


def main(code_hash: str) -> int:
    """Serve one controller until it hangs up; the helper's whole life."""
    set_process_name("linktrial")
    with contextlib.suppress(OSError):
        boot_id()  # where it is asked for once in a process, all jobs have it from here
    receive = os.dup(0)
    send = os.dup(1)
    null = os.open(os.devnull, os.O_RDONLY)
    os.dup2(null, 0)
    os.dup2(2, 1)  # stray prints become diagnostics
    os.close(null)
    return Helper(receive, send).serve(code_hash)


class Helper:
    """All that the loop knows: the line to the controller and the jobs that run."""

    def __init__(self, receive: int, send: int) -> None:
        self._receive, self._send = receive, send
        os.set_blocking(receive, False)
        os.set_blocking(send, False)
        self._selector = selectors.DefaultSelector()
        self._selector.register(receive, selectors.EVENT_READ, None)
        self._frames = FrameReader()
        self._unsent = bytearray()
        self._jobs: Dict[int, Job] = {}
        self._ending: List[Job] = []  # killed, not reaped yet
        self._reading_jobs = True
        self._ended = False
        self._last_heard = time.monotonic()
        self._next_watch = 0.0
        self._record = Record()
        self._lease = LeaseWatch(self._record)
        self._line: Optional[RenewalLine] = None
        self._said: Set[type] = set()  # kinds of errors that were told already

    def serve(self, code_hash: str) -> int:
        """Say hello, then serve until the controller is gone."""
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, self._stop)
        signal.signal(signal.SIGPIPE, signal.SIG_IGN)
        self._queue(
            {
                "id": 0,
                "kind": "hello",
                "body": {
                    "code": code_hash,
                    "pid": os.getpid(),
                    "uid": os.getuid(),
                    "verbs": sorted(messages.VERBS),
                    "python": ".".join(map(str, sys.version_info[:3])),
                },
            }
        )
        try:
            while not self._ended:
                self._turn()
        except FrameError as error:
            print(f"linktrial: {error}", file=sys.stderr, flush=True)
            return 3
        except Exception:  # the session ends with it, and the host's watchdog and the controller do what is due then
            traceback.print_exc()
            return 4
        finally:
            for job in list(self._jobs.values()):
                job.kill()
        return 0

    def _stop(self, *_: object) -> None:
        self._ended = True

    def _turn(self) -> None:
        """Wait for something, bounded, and do it."""
        for key, _ in self._selector.select(self._sleep_s()):
            if key.fileobj == self._receive:
                self._hear()
            elif key.fileobj == self._send:
                self._flush()
            elif key.fileobj is self._line and self._line is not None:
                self._line.hear()
            elif key.data is not None and key.data.number in self._jobs:
                self._hear_job(key.data)
        now = time.monotonic()
        for job in [job for job in self._jobs.values() if now >= job.ends_at]:
            self._refuse(
                job, Refusal("timeout", f"{job.verb} took longer than {job.timeout_s:g} s", timeout_s=job.timeout_s)
            )
        self._end_what_outlives_its_lease()
        if now - self._last_heard > IDLE_TIMEOUT_S or self._lease.is_left_behind(now - self._last_heard):
            self._ended = True
        if now >= self._next_watch:
            self._next_watch = now + WATCH_EVERY_S
            self._watch_watchdog()
        self._ending = [job for job in self._ending if not job.reap()]
        self._pace_jobs()

    def _end_what_outlives_its_lease(self) -> None:
        """Whoever may not hear us, and whom we may not hear any more, is not to be flooded any longer."""
        for job in [job for job in self._jobs.values() if job.lease_token is not None]:
            if self._lease.left_s(job.lease_token or 0) <= 0:
                self._refuse(job, Refusal("expired", f"the lease of this host ran out during {job.verb}"))

    def _watch_watchdog(self) -> None:
        """Have a killed watchdog started again, in a job as everything else; its answer interests nobody."""
        try:
            if _WATCH_NUMBER not in self._jobs and holding.lacks_watchdog(self._record):
                self._add(Job(_WATCH_NUMBER, "watch", jobs.JOBS["watch"], {}, WATCH_TIMEOUT_S))
        except Exception as error:  # looked at again in a moment; who holds this host is not ended by it
            self._say_once(error)

    def _say_once(self, error: Exception) -> None:
        """Into the diagnostics, which the controller keeps when a session ends; not every two seconds."""
        if type(error) not in self._said:
            self._said.add(type(error))
            traceback.print_exception(type(error), error, error.__traceback__)

    def _sleep_s(self) -> float:
        ends = [job.ends_at for job in self._jobs.values()]
        leases = {job.lease_token for job in self._jobs.values() if job.lease_token is not None}
        return max(
            0.0,
            min(
                [
                    LONGEST_SLEEP_S,
                    *(end - time.monotonic() for end in ends),
                    *(min(LEASE_LOOK_S, self._lease.left_s(token)) for token in leases),
                ]
            ),
        )

    def _hear(self) -> None:
        try:
            data = os.read(self._receive, 262144)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._ended = True
            return
        self._last_heard = time.monotonic()
        for message in self._frames.feed(data):
            self._take(message)

    def _take(self, message: Message) -> None:
        """One message of the controller: a request, something for a running job, or a job's end."""
        number = message.get("id")
        if not isinstance(number, int) or isinstance(number, bool):
            raise FrameError("a message without a number")
        job = self._jobs.get(number)
        if "tell" in message:
            told = message["tell"]
            if job is not None and isinstance(told, dict):
                job.tell(told)
        elif "cancel" in message:
            if job is not None:
                self._refuse(job, Refusal("cancelled", f"{job.verb} was cancelled"))
        else:
            try:
                self._start(number, message)
            except Exception as error:  # a job that cannot be begun ends nothing but itself
                self._answer(number, "error", error=refusal_of(error, str(message.get("verb"))[:40]).as_dict())

    def _start(self, number: int, message: Message) -> None:
        request = messages.check(message)
        if request.verb in jobs.INLINE:
            self._answer(number, "done", body=jobs.INLINE[request.verb]())
            return
        if request.verb in jobs.BY_THE_LOOP:
            self._answer(number, "done", body=self._listen(request.args["token"], request.args["key"]))
            return
        if number in self._jobs:
            raise Refusal("repeated", f"request {number} is running already")
        limit = JOBS_AT_ONCE + (RENEWALS_BESIDE if request.verb == "lease.renew" else 0)
        if len(self._jobs) >= limit:
            raise Refusal("too_many", f"{limit} jobs run already")
        under = self._lease.token() if request.verb in ENDS_WITH_LEASE else None
        self._add(Job(number, request.verb, jobs.JOBS[request.verb], request.args, request.timeout_s, under))

    def _listen(self, token: int, key: str) -> RenewalsHeard:
        """Hear renewals of this lease as datagrams, too; here, as no job may come and go with it."""
        if token != self._lease.token():
            raise Refusal("expired", "the lease of this host has run out, or another session has it")
        if self._line is not None:
            self._selector.unregister(self._line)
            self._line.close()
            self._line = None
        self._line = RenewalLine(self._record, token, bytes.fromhex(key))
        self._selector.register(self._line, selectors.EVENT_READ, None)
        return self._line.about()

    def _add(self, job: Job) -> None:
        self._jobs[job.number] = job
        if self._reading_jobs:
            self._selector.register(job.line, selectors.EVENT_READ, job)

    def _hear_job(self, job: Job) -> None:
        try:
            frames, connected = job.receive()
        except Refusal as refusal:
            self._refuse(job, refusal)
            return
        for frame in frames:
            kind = str(frame.get("kind"))
            if job.answered or kind not in ("event", "done", "error"):
                continue
            job.answered = kind != "event"
            try:
                self._answer(job.number, kind, **{"error" if kind == "error" else "body": frame.get("body")})
            except FrameError as error:  # with our envelope around it, it is too large by a few bytes
                job.answered = False
                self._refuse(job, Refusal("too_large", f"{job.verb}: {error}"))
                return
        if not connected:
            if job.answered:
                self._forget(job)
            else:
                self._refuse(job, Refusal("died", f"the process doing {job.verb} ended without an answer"))

    def _refuse(self, job: Job, refusal: Refusal) -> None:
        if not job.answered:
            self._answer(job.number, "error", error=refusal.as_dict())
        self._forget(job)

    def _forget(self, job: Job) -> None:
        with contextlib.suppress(KeyError, ValueError):
            self._selector.unregister(job.line)
        del self._jobs[job.number]
        job.kill()
        self._ending.append(job)

    def _answer(self, number: int, kind: str, **content: object) -> None:
        if number == _WATCH_NUMBER:
            return
        self._queue({"id": number, "kind": kind, **content})

    def _queue(self, message: Mapping[str, object]) -> None:
        self._unsent += encode(message)
        self._flush()

    def _flush(self) -> None:
        """Send what the channel takes; wait for it to take more when something is left."""
        while self._unsent:
            try:
                sent = os.write(self._send, self._unsent[:65536])
            except BlockingIOError:
                break
            except OSError:
                self._ended = True
                self._unsent.clear()
                break
            del self._unsent[:sent]
        waiting = self._send in self._selector.get_map()
        if self._unsent and not waiting:
            self._selector.register(self._send, selectors.EVENT_WRITE, None)
        elif waiting and not self._unsent:
            self._selector.unregister(self._send)

    def _pace_jobs(self) -> None:
        """Stop reading from jobs while the controller does not take what they have said already."""
        wanted = len(self._unsent) < UNSENT_LIMIT_BYTES
        if wanted == self._reading_jobs:
            return
        self._reading_jobs = wanted
        for job in self._jobs.values():
            if wanted:
                self._selector.register(job.line, selectors.EVENT_READ, job)
            else:
                self._selector.unregister(job.line)
