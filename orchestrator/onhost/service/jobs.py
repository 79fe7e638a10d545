"""Which function does which verb. Each runs in a forked child of the helper; its room is imported when it is called."""

from __future__ import annotations

import functools
import importlib
import os
import time
from typing import Callable, Dict, Mapping, NamedTuple, Tuple, TypedDict

from orchestrator.onhost.safety.record import Record, boottime_ns
from orchestrator.onhost.service.messages import Arguments
from orchestrator.onhost.service.talk import Talk

Answer = Mapping[str, object]  # of the shape that the verb's function is annotated with


class Clocks(TypedDict):
    """A host's clocks, in nanoseconds."""

    monotonic_ns: int
    boottime_ns: int
    wall_ns: int


class Call(NamedTuple):
    """Where a verb's function is and what it is given: names of arguments, or one of the five special words."""

    room: str
    function: str
    takes: Tuple[str, ...]


# "record" is this host's record, "talk" the line to the controller, "session" what tells one session from another,
# "args" all arguments as one object, "spread" all arguments by name; anything else is the argument of that name, None
# when it may be left out and is.
VERBS = {
    "facts": Call("service.facts", "read_facts", ()),
    "kernel": Call("survey.kernel_identity", "read_kernel_identity", ()),
    "survey": Call("survey", "read_survey", ()),
    "image": Call("image", "take_image", ("interfaces",)),
    "read": Call("safety.changes", "read", ("places",)),
    "lease.acquire": Call("safety.holding", "acquire", ("record", "args", "session")),
    "lease.renew": Call("safety.holding", "renew", ("record", "token", "lease_s", "session")),
    "lease.release": Call("safety.holding", "release", ("record", "token")),
    "watchdog": Call("safety.holding", "watchdog_state", ("record",)),
    "watch": Call("safety.holding", "watch", ("record",)),  # the helper's own wish; no message can ask for it
    "recover": Call("safety.holding", "recover", ("record", "run_id", "accept")),
    "prepare": Call("safety.changes", "prepare", ("record", "token", "interfaces", "places")),
    "adopt": Call("safety.changes", "adopt", ("record", "token", "before")),
    "apply": Call("safety.changes", "apply", ("record", "token", "uses", "session", "confirm_s", "keep_others")),
    "confirm": Call("safety.changes", "confirm", ("record", "token", "session")),
    "control": Call("safety.control_path", "control_path", ()),
    "possible": Call("safety.changes", "possible", ("uses",)),
    "verify": Call("safety.changes", "verify", ("record", "uses")),
    "restore": Call("safety.holding", "restore", ("record", "token")),
    "restart": Call("at_start.restart", "restart", ("record", "token")),
    "compare": Call("safety.holding", "compare", ("record", "token")),
    "ready": Call("path.ready", "wait_ready", ("spread",)),
    "forget": Call("path.ready", "forget", ("spread",)),
    "neighbours.answering": Call("path.answering", "who_answers", ("args",)),
    "path.surroundings": Call("path.surroundings", "surroundings", ("args",)),
    "path.answer": Call("path.proof", "answer", ("args", "talk")),
    "path.probe": Call("path.proof", "probe", ("args", "talk")),
    "wiring.listen": Call("path.wiring", "listen", ("args", "talk")),
    "wiring.call": Call("path.wiring", "call", ("args",)),
    "external.watch": Call("external", "watch", ("args", "talk", "record")),
    "traffic.serve": Call("traffic", "serve", ("args", "talk")),
    "traffic.dial": Call("traffic", "dial", ("args", "talk")),
}


def clock() -> Clocks:
    """The host's clocks; answered by the loop itself, so that the round trip is short."""
    return {"monotonic_ns": time.monotonic_ns(), "boottime_ns": boottime_ns(), "wall_ns": time.time_ns()}


def run(call: Call, args: Arguments, talk: Talk) -> Answer:
    """Do one verb in this process."""
    function = getattr(importlib.import_module(f"orchestrator.onhost.{call.room}"), call.function)
    if call.takes == ("spread",):
        return dict(function(**args) or {})
    special = {"record": Record(), "talk": talk, "args": args, "session": os.getppid()}
    return dict(function(*(special[name] if name in special else args.get(name) for name in call.takes)) or {})


BY_THE_LOOP = frozenset({"lease.listen"})  # what has to stay open between messages
INLINE: Dict[str, Callable[[], Answer]] = {"clock": clock}
JOBS: Dict[str, Callable[[Arguments, Talk], Answer]] = {
    verb: functools.partial(run, call) for verb, call in VERBS.items()
}
