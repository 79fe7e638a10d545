"""A host as far as the controller can tell: values that can be set, a record, a watchdog, boots.

Every decision about the lease is made by the real `onhost.lease`; what is fake is the machine below it.
"""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import lease

Json = dict[str, Any]
LASTING = frozenset({"command"})  # settings that a restart does not undo


def same_in_simulation(seen: Json, before: Any) -> bool:
    """A simulated place holds its plain value, without what a real kernel adds to it."""
    return bool(seen["value"] == before)


class FakeHost:
    """One machine. `now_s` is read from the virtual clock by whoever calls; nothing here sleeps."""

    starts_kernels = False  # whether it can be started with another kernel
    goes_down: Callable[[str], None]  # what happens when it is asked to restart

    def __init__(self, name: str, number: int, values: dict[tuple[str, str], Any]) -> None:
        self.name, self.number = name, number
        self.values = dict(values)
        self.at_boot = dict(values)
        self.boot = 1
        self.up = True
        self.record: Json | None = None
        self.watchdog = False
        self.changes_by_stale = 0
        self.rounding = False  # a driver that takes another value than it was given, in silence
        self.refusing = ""  # a setting that the driver refuses
        self.stuck: tuple[str, str] | None = None  # a place whose driver does not come back from a restore
        self.wall_offset_s = 0.0  # what somebody has set the wall clock to, against the virtual one

    def runs_as_found(self) -> bool:
        """Whether its boot files, and what it was started with, are those of before any run."""
        return True

    @property
    def boot_id(self) -> str:
        return f"{self.name}-{self.boot}"

    def keep(self, now_s: float) -> None:
        """What the watchdog does whenever it wakes."""
        self.keep_at(_ns(now_s))

    def keep_at(self, now_ns: int) -> None:
        """The same at a nanosecond of CLOCK_BOOTTIME."""
        state = self.record
        if self.up and self.watchdog and state and state["standing"] == "held" and now_ns >= state["deadline_ns"]:
            self.record = None if lease.nothing_to_tell(state) else self._restored(state, "watchdog")
            self.watchdog = False

    def restart(self) -> None:
        """Power off and on: what does not survive is as at boot; processes and /run are gone."""
        self.boot += 1
        self.watchdog, self.record = False, None
        for place, value in self.at_boot.items():
            if place[0] not in LASTING:
                self.values[place] = value

    def do(self, verb: str, args: Json, now_s: float) -> Json:
        """One verb, at once; the watchdog has woken up before it."""
        self.keep(now_s)
        return self.do_at(verb, args, _ns(now_s))

    def do_at(self, verb: str, args: Json, now_ns: int) -> Json:
        """One verb at a nanosecond of CLOCK_BOOTTIME, whatever the watchdog has done by then."""
        return dict(getattr(self, "_" + verb.replace(".", "_"))(args, now_ns))

    def facts(self) -> Json:
        return {
            "system": "Linux",
            "hostname": self.name,
            "kernel": "6.0-sim",
            "python": "3.11.0",
            "boot_id": self.boot_id,
            "netns": 100 + self.number,
            "uid": 0,
            "cpus": 2,
            "interfaces": [
                self._interface(place, name)
                for place, name in enumerate(sorted(name for setting, name in self.values if setting == "mtu"))
            ],
        }

    def _interface(self, place: int, name: str) -> Json:
        address = f"198.18.{place}.{10 + self.number}"
        return {
            "name": name,
            "mac": f"02:00:00:00:{place:02x}:{self.number:02x}",
            "driver": "sim",
            "bus": "",
            "mtu": self.values[("mtu", name)],
            "min_mtu": 68,
            "max_mtu": 9216,
            "speed_bit_s": 1_000_000_000,
            "carrier": True,
            "loopback": False,
            "addresses": [{"address": address, "prefix": 24, "family": 4, "tentative": False}],
        }

    def _facts(self, args: Json, now_ns: int) -> Json:
        return self.facts()

    def _kernel(self, args: Json, now_ns: int) -> Json:
        return {
            "release": "6.0-sim",
            "build": "#1",
            "build_id": "",
            "boot_parameters": "",
            "configuration_sha256": "",
            "modules_sha256": "",
            "modules": [],
        }

    def _control(self, args: Json, now_ns: int) -> Json:
        return {"local": "", "peer": "", "interface": "", "interfaces": []}

    def _neighbours_answering(self, args: Json, now_ns: int) -> Json:
        return {"macs": []}

    def _path_surroundings(self, args: Json, now_ns: int) -> Json:
        return {
            "up": True,
            "carrier": True,
            "neighbour": "reachable",
            "gateway": "",
            "leaves_by": "eth1",
            "filters": [],
            "strict_reverse_path": False,
            "lower": [],
        }

    def _clock(self, args: Json, now_ns: int) -> Json:
        return {"monotonic_ns": now_ns + self.number * 10**12, "boottime_ns": now_ns, "wall_ns": self._wall_ns(now_ns)}

    def _wall_ns(self, now_ns: int) -> int:
        return now_ns + _ns(self.wall_offset_s)

    def _watchdog(self, args: Json, now_ns: int) -> Json:
        described = lease.description(self.record, now_ns) if self.record else None
        return {"alive": self.watchdog, "pid": 7 if self.watchdog else 0, "record": described}

    def _lease_acquire(self, args: Json, now_ns: int) -> Json:
        live = lease.is_live(self.record, now_ns, self.boot_id)
        self.record = lease.acquire(
            self.record,
            {"token": None, **args},
            now_ns=now_ns,
            wall_ns=self._wall_ns(now_ns),
            boot=self.boot_id,
            netns=self.number,
            survives=lambda name: name in LASTING,
        )
        self.watchdog = True
        return {"token": self.record["token"], "earlier": self.record["earlier"], "left_s": 1.0, "joined": live}

    def _lease_renew(self, args: Json, now_ns: int) -> Json:
        self.record = lease.renew(self._held(args, now_ns), args["lease_s"], now_ns)
        self.watchdog = True  # one that was killed is started again
        return {}

    def _lease_release(self, args: Json, now_ns: int) -> Json:
        if self._held(args, now_ns)["changes"]:
            raise Refusal("unrestored", "changes of this run are still on the host")
        self.record, self.watchdog = None, False
        return {}

    def _prepare(self, args: Json, now_ns: int) -> Json:
        state = self._held(args, now_ns)
        before = list(state["before"])
        for place in args["places"]:
            if lease.before_of({"before": before}, place) is None:
                before.append({**_place(place), "level": place["level"], "value": self._value(place)})
        self.record = {**state, "before": before, "image": {"mtu": self.values[("mtu", "eth1")]}}
        return {"before": before, "image": self.record["image"]}

    def _adopt(self, args: Json, now_ns: int) -> Json:
        state = self._held(args, now_ns)
        for place in args["before"]:
            if lease.before_of(state, place) is None:
                state = lease.adopt(state, place)
        self.record = state
        return {"before": state["before"]}

    def _apply(self, args: Json, now_ns: int) -> Json:
        answers = []
        for use in args["uses"]:
            state = self._held(args, now_ns)
            before = lease.before_of(state, use)
            if before is None:
                raise Refusal("not_prepared", "not looked at before")
            if use.get("as_found"):
                self.values[_key(use)] = before["value"]
                answers.append({**use, "ok": True, "seen": before["value"], "why": ""})
                continue
            if use["setting"] == self.refusing:
                answers.append({**use, "ok": False, "seen": None, "why": "the driver refuses", "code": "refused"})
                continue
            self.record = lease.note_intent(state, use)
            wanted = _level(use)
            took = wanted - 1 if self.rounding and isinstance(wanted, int) else wanted
            self.values[_key(use)] = took
            self.record = lease.note_done(self.record, use, took)
            answers.append({**use, "ok": took == wanted, "seen": took, "why": "" if took == wanted else "took another"})
        return {"uses": answers}

    def _verify(self, args: Json, now_ns: int) -> Json:
        return {
            "uses": [
                {**use, "ok": self._value(use) == _level(use), "seen": self._value(use), "why": "differs"}
                for use in args["uses"]
            ]
        }

    def _read(self, args: Json, now_ns: int) -> Json:
        return {"places": [{**place, "value": self._value(place)} for place in args["places"]]}

    def _restore(self, args: Json, now_ns: int) -> Json:
        self.record = self._restored(self._held(args, now_ns), "controller")
        return copy.deepcopy(self.record["outcome"])

    def _compare(self, args: Json, now_ns: int) -> Json:
        return {"ok": True, "touched": [], "other": []}

    def _recover(self, args: Json, now_ns: int) -> Json:
        state = self.record
        nothing = {"found": None, "restored": [], "left": [], "conflicts": [], "compared": None}
        if state is None:
            return nothing
        found = lease.description(state, now_ns)
        if args["run_id"] not in ("", state["run_id"]) or (
            not args["run_id"] and lease.is_live(state, now_ns, self.boot_id)
        ):
            raise Refusal("busy", "another run has this host", **found)
        if state["standing"] != "restored":
            state = self._restored(state, "recover")
        if state["standing"] == "restored":
            self.record, self.watchdog = None, False
        else:
            self.record = state
        return {"found": found, "compared": None, **state["outcome"]}

    def _ready(self, args: Json, now_ns: int) -> Json:
        mtu = self.values[("mtu", args.get("interface", "eth1"))]
        return {"ready": True, "why": "", "mtu": mtu, "speed_bit_s": 1_000_000_000}

    def _forget(self, args: Json, now_ns: int) -> Json:
        return {}

    def _held(self, args: Json, now_ns: int) -> Json:
        return lease.require(self.record, args["token"], now_ns=now_ns, boot=self.boot_id)

    def _restored(self, state: Json, by: str) -> Json:
        outcome: Json = {"restored": [], "left": [], "conflicts": [], "by": by}
        unpaid = []
        for change in reversed(state["changes"]):
            before = lease.before_of(state, change)
            now = self._value(change)
            entry = {**_place(change), "before": before["value"], "now": now, "why": "", "command": "put it right"}
            if _key(change) == self.stuck:
                outcome["left"].append({**entry, "why": "it did not end within its time"})
                unpaid.append(change)
                continue
            levels = [_level({**change, "level": level}) for level in change["levels"]]
            ours = change["unfinished"] or now in (*change["ours"], *levels, before["value"])
            if not ours:
                outcome["conflicts"].append(entry)
                unpaid.append(change)
                continue
            self.values[_key(change)] = before["value"]
            outcome["restored"].append(entry)
        standing = state["standing"] if by == "controller" else "left" if unpaid else "restored"
        return {**state, "outcome": outcome, "changes": unpaid, "standing": standing}

    def _value(self, place: Json) -> Any:
        return self.values[_key(place)]


def _key(place: Json) -> tuple[str, str]:
    return place["setting"], place["target"]


def _place(place: Json) -> Json:
    return {"setting": place["setting"], "target": place["target"]}


def _level(use: Json) -> Any:
    return use["level"]["level"] if use["setting"] == "command" else use["level"]


def _ns(seconds: float) -> int:
    return int(seconds * 1e9)
