"""A setting that the plan defines itself, by the argument lists of programs that read and write it."""

from __future__ import annotations

import shlex
import time
from typing import Dict, Iterator, List, TypedDict, Union, cast

from orchestrator.onhost.at_start.hooks import NONE
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.told import Told, told
from orchestrator.onhost.settings.at_start import WRITTEN
from orchestrator.onhost.settings.base import CANNOT, FAILED, HOST, SettingOf, Verified
from orchestrator.onhost.settings.kernel import Outcome
from orchestrator.onhost.settings.levels import unknown_key

PLACE = "{level}"  # where a written value goes in an argument
_TIMEOUT_S = 30.0
_MOST_WAIT_S = 20.0  # changing and restoring are bounded, hold the host's lock, and renewals wait for it
_MOST_ARGUMENTS, _MOST_ARGUMENT_BYTES, _MOST_LEVEL_CHARACTERS = 64, 4096, 1000
_KEYS = {"read", "write", "check", "wait_s", "level", "reboot"}
_SHOWN_CHARACTERS = 200


class _Programs(TypedDict):
    read: List[str]
    write: List[str]


class Definition(_Programs, total=False):
    """A command setting with a level, as the plan defines it; without the level it says how to read."""

    level: Union[str, int]
    check: List[str]
    wait_s: float
    reboot: bool


class _CommandAlways(_Programs):
    value: str
    wait_s: float


class CommandValue(_CommandAlways, total=False):
    """What `read` printed, and with what it is restored; `started`: whether this start used a trial's value."""

    started: bool


class Command(SettingOf[Definition, CommandValue]):
    """Programs run without a shell, each bounded in time and output; the level replaces `{level}` in an argument.

    `read` prints the value; `write` sets it, then `wait_s` passes; with `check` its exit status 0 says that the level
    holds, without it the value that `read` prints must be the level. The first value is restored with `write`.

    With `reboot` the host is restarted after `write`: `read` prints what the next start will use, `check` says what
    this one uses, and the next start itself is armed to run `write` with the first value (at_start/revert.py).
    """

    name = "command"
    unit = ""
    doc = "Your own setting: argument lists that read and write it, with an optional wait and an optional check."
    example = '{read: [cat, /etc/x], write: [tool, "{level}"], level: fast}'
    domain_text = "text or whole numbers, put in place of {level} in the arguments of write"
    scope = HOST
    cheap_to_read = False  # it runs the user's program
    privilege = "user"
    survives_reboot = True  # nobody knows, and to think so is the safe side: it is restored after a reboot too
    costly = True

    def problem_with(self, level: object) -> str:
        """Why this is no definition of a command setting."""
        if not isinstance(level, dict):
            return "a command setting has read, write and a level"
        unknown = unknown_key(level, _KEYS, "a command setting")
        if unknown:
            return unknown
        return (
            _problem_with_programs(level)
            or _problem_with_wait(level.get("wait_s"))
            or _problem_with_value(level.get("level"))
        )

    def restarts(self, level: object) -> bool:
        """As the plan says."""
        return isinstance(level, dict) and bool(level.get("reboot"))

    def _restart_due(self, before: CommandValue, now: CommandValue) -> bool:
        """Whether this start used a trial's value, as the one in which the run began did not."""
        return bool(now.get("started")) and not before.get("started")

    def write_for_next_start(self, target: str, level: object) -> Verified:
        """Write it, armed, whatever the running system has."""
        self._require_possible(target, level)
        with self._explained(target):
            self._write(target, level)
            ok = self.holds_ours(target, level)
            return {
                "ok": ok,
                "seen": WRITTEN,
                "why": "" if ok else "read does not print what was written",
                "restart": True,
            }

    def holds_ours(self, target: str, level: object) -> bool:
        """Whether `read` prints this level."""
        if not self.restarts(level):
            return super().holds_ours(target, level)
        given = _definition(level)
        return self._output(given["read"]) == str(given["level"])

    def _cannot(self, target: str, level: object) -> str:
        """A restart needs a machine of its own, and a way to take the change back at the next start."""
        if not self.restarts(level):
            return ""
        if not self._kernel.is_root() or not self._kernel.owns_machine():
            return f"{self._called(target)} restarts the host, which takes root on a machine of its own"
        return "" if self._kernel.next_start().way_back() else f"{self._called(target)}: {NONE}"

    def _kept(self, target: str, level: object) -> str:
        given = _definition(level)
        return " ".join(shlex.quote(argument) for argument in filled(given["write"], given["level"]))

    def _mended(self, target: str, value: CommandValue) -> str:
        """The plan's own write, with the value found."""
        return " ".join(shlex.quote(argument) for argument in filled(value["write"], value["value"]))

    def _told(self, target: str, before: CommandValue, now: CommandValue) -> Iterator[Told]:
        """What the program said; how it is asked is no finding."""
        yield told(self._called(target), before["value"], now["value"], self._mended(target, before))

    def _current(self, target: str, level: object) -> object:
        given = _definition(level)
        if given.get("check") and "level" in given:
            outcome = self._run(filled(given["check"], given["level"]))
            if outcome.status == 0:
                return str(given["level"])
            if self.restarts(level):  # what `read` prints is for the next start
                return None
        return self._output(given["read"])

    def _read(self, target: str, level: object) -> CommandValue:
        """The value, and with what to restore it: `restore` is told nothing else."""
        given = _definition(level)
        value: CommandValue = {
            "value": self._output(given["read"]),
            "read": given["read"],
            "write": given["write"],
            "wait_s": given.get("wait_s") or 0,
        }
        if self.restarts(level):
            value["started"] = self._kernel.next_start().started_with(f"command {target}") is not None
        return value

    def _matches(self, level: object, seen: object) -> bool:
        return str(_definition(level)["level"]) == seen

    def _write(self, target: str, level: object) -> None:
        given = _definition(level)
        if self.restarts(level):
            now = self._output(given["read"])
            if now == str(given["level"]):  # the next start would use it as it is
                return
            undo = filled(given["write"], now)
            self._kernel.next_start().arm_command(target, undo, given["read"], str(given["level"]))
        self._output(filled(given["write"], given["level"]))
        time.sleep(given.get("wait_s") or 0)

    def _restored(self, target: str, before: CommandValue) -> None:
        if self._output(before["read"]) != before["value"]:
            self._write(target, {**before, "level": before["value"]})
        if "started" in before:
            self._kernel.next_start().disarm(f"command {target}")

    def _same(self, before: CommandValue, now: CommandValue) -> bool:
        return {**before, "started": None} == {**now, "started": None}

    def _shown(self, level: object) -> str:
        return str(level["level"]) if isinstance(level, dict) else str(level)

    def _output(self, arguments: List[str]) -> str:
        """What a program printed, without the white space around it; Refusal when it failed."""
        outcome = self._run(arguments)
        if outcome.status:
            said = (outcome.complaint or outcome.output).strip()[:_SHOWN_CHARACTERS]
            raise Refusal(
                FAILED,
                f"{arguments[0]} ended with status {outcome.status}: {said}",
                arguments=arguments,
                status=outcome.status,
            )
        return outcome.output.strip()

    def _run(self, arguments: List[str]) -> Outcome:
        try:
            outcome = self._kernel.run_program(arguments, _TIMEOUT_S)
        except FileNotFoundError as error:
            raise Refusal(CANNOT, f"this host has no program {arguments[0]}", arguments=arguments) from error
        if outcome.too_late or outcome.too_much:
            did = f"did not end within {_TIMEOUT_S:g} s" if outcome.too_late else "printed more than it may"
            raise Refusal(FAILED, f"{arguments[0]} {did} and was ended", arguments=arguments)
        return outcome


def _definition(level: object) -> Definition:
    """A level that `problem_with` has seen."""
    assert isinstance(level, dict), "problem_with has seen it"
    return cast(Definition, level)


def filled(arguments: List[str], level: object) -> List[str]:
    """The arguments with the level in its place."""
    return [argument.replace(PLACE, str(level)) for argument in arguments]


def _problem_with_programs(level: Dict[str, object]) -> str:
    for part in ("read", "write", *(["check"] if level.get("check") else [])):
        problem = problem_with_arguments(level.get(part))
        if problem:
            return f"{part} {problem}"
    write = level["write"]
    if not isinstance(write, list) or not any(PLACE in argument for argument in write):
        return f"write has no {PLACE} in any argument"
    reboot = level.get("reboot", False)
    if not isinstance(reboot, bool):
        return "reboot is true or false"
    return (
        "with reboot: true, check says whether the running system has the level"
        if reboot and not level.get("check")
        else ""
    )


def problem_with_arguments(arguments: object) -> str:
    """Why these are no program and its arguments; empty when they are."""
    if not isinstance(arguments, list) or not arguments or not all(isinstance(one, str) for one in arguments):
        return "must be a list of arguments, the program first"
    if len(arguments) > _MOST_ARGUMENTS or any(len(one.encode()) > _MOST_ARGUMENT_BYTES for one in arguments):
        return f"has more than {_MOST_ARGUMENTS} arguments, or one longer than {_MOST_ARGUMENT_BYTES} bytes"
    if any("\0" in one for one in arguments) or not arguments[0]:
        return "has an argument that no program can be given"
    return f"must not take the program's name from {PLACE}" if PLACE in arguments[0] else ""


def _problem_with_wait(wait_s: object) -> str:
    if wait_s is None:
        return ""
    if not isinstance(wait_s, (int, float)) or isinstance(wait_s, bool) or not 0 <= wait_s <= _MOST_WAIT_S:
        return f"wait is from 0 to {_MOST_WAIT_S:g} s; what takes longer to take effect is waited for by trial: settle"
    return ""


def _problem_with_value(value: object) -> str:
    if isinstance(value, bool) or not isinstance(value, (str, int)):
        return "a level of a command is text or a whole number"
    text = str(value)
    if not text or text != text.strip() or len(text) > _MOST_LEVEL_CHARACTERS or not text.isprintable():
        return "a level of a command is one line of text without space around it"
    return ""
