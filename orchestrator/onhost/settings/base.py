"""What every setting is: metadata that `linktrial settings` and `check` read, and the same five verbs.

A setting says how it is checked, read, written and restored; the order of these, the privilege, and what a kernel's
refusal means, are the same for all and stand here. What the five verbs are given comes out of a plan or a host's
record, so they take any object: a level is checked where it is parsed, and a value is one that `read` gave.
"""

from __future__ import annotations

import contextlib
import errno
import fnmatch
import os
from typing import Any, Generic, Iterator, List, Tuple, TypedDict, TypeVar, cast

from orchestrator.onhost.netlink.entries import Link
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety.told import Told, bounded, leaves, told
from orchestrator.onhost.settings.kernel import Kernel

INTERFACE, HOST = "interface", "host"

CANNOT = "cannot"  # this host cannot have this level: the cell is impossible
FAILED = "failed"  # it should have worked
NO_PRIVILEGE = "no_privilege"

_NEVER = (
    errno.EINVAL,
    errno.EOPNOTSUPP,
    errno.ENOTTY,
    errno.ERANGE,
    errno.ENODEV,
    errno.ENOENT,
    errno.EMSGSIZE,
    errno.EROFS,
)
_NOT_ALLOWED = (errno.EPERM, errno.EACCES)


Level = TypeVar("Level")  # a level in the terms of a setting
Value = TypeVar("Value")  # what a setting restores: plain JSON, because it waits in a host's record


class _Seen(TypedDict):
    ok: bool
    seen: object
    why: str  # empty when it is well


class Verified(_Seen, total=False):
    """Whether a setting has the level now, what was seen, why it is not well; whether it takes a restart."""

    restart: bool


class SettingOf(Generic[Level, Value]):
    """One setting of a host or of an interface; subclasses fill the metadata and the underscored methods."""

    name = ""
    unit = ""
    doc = ""
    example = ""
    domain_text = ""
    scope = INTERFACE
    privilege = "root"
    survives_reboot = False
    costly = False  # a change drops the link or takes seconds
    # False: owned by the network namespace; True: the machine's own, never changed from inside a namespace
    whole_machine = False
    # a directory that may be this host's own simulation of something that belongs to the machine
    simulated_at = ""
    # patterns of the keys of a host's image that it changes, and of those that a change may lose (image/__init__.py)
    touches: Tuple[str, ...] = ()
    may_lose: Tuple[str, ...] = ()
    # names of settings that must be applied before this one
    after: Tuple[str, ...] = ()
    # names of settings whose change may move this one by itself, beside those in `after`; "feature.*" for all of these
    moved_by: Tuple[str, ...] = ()
    # whether reading it while traffic runs disturbs nothing
    cheap_to_read = True
    # whether its value is {part: value} of which each part is restored by a command of its own
    by_part = False

    def __init__(self, kernel: Kernel) -> None:
        self._kernel = kernel

    # --- plan time --------------------------------------------------------------------------------------------------
    def problem_with(self, level: object) -> str:
        """Why `level` can be one on no host; empty when it can. Pure."""
        try:
            self._parsed(level)
        except ValueError as error:
            return str(error)
        return ""

    # --- the five verbs ---------------------------------------------------------------------------------------------
    def check(self, target: str, level: object) -> str:
        """Why this host cannot have `level`, or empty. Changes nothing.

        A level that holds already is possible for anyone: a host without privilege is measured as it stands.
        """
        problem = self.problem_with(level)
        if problem:
            return problem
        try:
            with self._explained(target):
                return "" if self._holds(target, level) else self._not_ours(target) or self._cannot(target, level)
        except Refusal as refusal:
            # a parameter of the machine does not even exist in a namespace of it: that is the reason then
            return self._not_ours(target) or refusal.message

    def read(self, target: str, level: object = None) -> object:
        """The value that `restore` takes, as JSON; None when this host has no such thing. Raises Refusal."""
        try:
            with self._explained(target):
                return self._read(target, level)
        except Refusal as refusal:
            if refusal.code == CANNOT:  # nothing to restore; `check` says why no level is possible
                return None
            raise

    def apply(self, target: str, level: object) -> None:
        """Give `target` the level; nothing is written when it has it. Raises Refusal."""
        self._require_possible(target, level)
        with self._explained(target):
            if not self._holds(target, level):
                self._write(target, level)

    def verify(self, target: str, level: object) -> Verified:
        """Whether `target` has the level now, what was seen, and why it is not well. Raises Refusal."""
        with self._explained(target):
            seen, ok = self._current(target, level), self._holds(target, level)
            why = "" if ok else f"{self._called(target)} reads {seen}, not {self._shown(level)}"
            return {"ok": ok, "seen": seen, "why": why}

    def write_for_next_start(self, target: str, level: object) -> Verified:
        """Write a level that takes a restart, whatever is in effect now. Raises Refusal."""
        raise NotImplementedError

    def restore(self, target: str, before: object) -> None:
        """Restore `before` (from `read`); nothing is written when it is so. Raises Refusal."""
        if before is not None:
            with self._explained(target):
                self._restored(target, self._recorded(before))

    def forget(self, target: str) -> None:
        """Nothing is to be restored: drop what was remembered for that between two levels. Nothing by default."""

    # --- comparing and telling --------------------------------------------------------------------------------------
    def same(self, before: object, now: object) -> bool:
        """Whether two values from `read` are the same finding."""
        return (
            before is now if before is None or now is None else self._same(self._recorded(before), self._recorded(now))
        )

    def restarts(self, level: object) -> bool:
        """Whether this level takes effect when the host starts, and not before. Pure."""
        return False

    def restart_due(self, before: object, now: object) -> bool:
        """Whether the host runs with another level than `before` until it is started again. Pure."""
        return bool(before and now) and self._restart_due(self._recorded(before), self._recorded(now))

    def holds_ours(self, target: str, level: object) -> bool:
        """Whether it reads as this level, in effect or not: what was found there is then our own."""
        return self.verify(target, level)["ok"]

    def mend_command(self, target: str, value: object) -> str:
        """What a person types to restore `value` (from `read`); empty when there is nothing."""
        return "" if value is None else self._mended(target, self._recorded(value))

    def told(self, target: str, before: object, now: object) -> List[Told]:
        """What differs between two values from `read`: each thing alone, in words, with the command that mends it."""
        if before is None or now is None:
            return [told(self._called(target), before, now, self.mend_command(target, before))]
        return bounded(list(self._told(target, self._recorded(before), self._recorded(now))))

    def may_be_moved_by(self, other: str) -> bool:
        """Whether this setting may read otherwise only because `other` was changed on the same interface. Pure."""
        return any(fnmatch.fnmatchcase(other, name) for name in (*self.after, *self.moved_by))

    def in_words(self, level: object) -> str:
        """A level as a person reads it."""
        return self._shown(level)

    def keep_command(self, target: str, level: object) -> str:
        """What a person types to give `target` this level for good, on any host; pure. Empty where it is not one line.

        Only for levels that `problem_with` accepts.
        """
        return self._kept(target, level)

    # --- what each setting fills ------------------------------------------------------------------------------------
    def _kept(self, target: str, level: object) -> str:
        raise NotImplementedError

    def _parsed(self, level: object) -> Level:
        """The level in the terms of the setting; ValueError, in a sentence, when it can be one on no host. Pure."""
        raise NotImplementedError

    def _same(self, before: Value, now: Value) -> bool:
        return bool(before == now)

    def _restart_due(self, before: Value, now: Value) -> bool:
        return False

    def _mended(self, target: str, value: Value) -> str:
        raise NotImplementedError

    def _told(self, target: str, before: Value, now: Value) -> Iterator[Told]:
        """By default every single value that differs; one command mends all of them."""
        command = self._mended(target, before)
        for path, was, is_now in leaves(before, now):
            where = " ".join(path)
            yield told(f"{where} ({self._called(target)})" if where else self._called(target), was, is_now, command)
            command = ""

    def _current(self, target: str, level: object) -> object:
        """What is there now, comparable with a level."""
        raise NotImplementedError

    def _read(self, target: str, level: object) -> Value:
        """All that has to be restored."""
        raise NotImplementedError

    def _matches(self, level: object, seen: object) -> bool:
        """Whether the value seen is what the level asks for."""
        return bool(self._parsed(level) == seen)

    def _cannot(self, target: str, level: object) -> str:
        """Why this host cannot have a level that it has not now; empty by default."""
        return ""

    def _write(self, target: str, level: object) -> None:
        raise NotImplementedError

    def _restored(self, target: str, before: Value) -> None:
        raise NotImplementedError

    def _shown(self, level: object) -> str:
        """The level as a person reads it."""
        return str(level)

    def _recorded(self, value: object) -> Value:
        """A value that waited in the host's record, which root alone writes: what the same setting's `read` gave."""
        return cast("Value", value)

    # --- shared -----------------------------------------------------------------------------------------------------
    def _require_possible(self, target: str, level: object) -> None:
        """Refusal when this host cannot have the level."""
        problem = self.check(target, level)
        if problem:
            raise Refusal(CANNOT, problem, setting=self.name, target=target)

    def _holds(self, target: str, level: object) -> bool:
        return self._matches(level, self._current(target, level))

    def _called(self, target: str) -> str:
        return f"{self.name} of {target}" if target else self.name

    def _link(self, target: str) -> Link:
        """The interface; Refusal when it is not there."""
        link = self._kernel.find_link(target)
        if link is None:
            raise Refusal(CANNOT, f"this host has no interface {target}", target=target)
        return link

    def _not_ours(self, target: str) -> str:
        """Why this process must not change it, whatever the level."""
        if self.privilege == "root" and not self._kernel.is_root():
            return f"{self._called(target)} needs root, and this host is measured as it stands"
        if self.whole_machine and not self._kernel.owns_machine() and not self._is_simulated():
            return (
                f"{self._called(target)} belongs to the whole machine, and this host is only a network namespace of it"
            )
        return ""

    def _is_simulated(self) -> bool:
        return bool(self.simulated_at) and self._kernel.is_private(self.simulated_at)

    @contextlib.contextmanager
    def _explained(self, target: str) -> Iterator[None]:
        """Turn the kernel's answer into a Refusal that says what it was about."""
        try:
            yield
        except OSError as error:
            number = error.errno or 0
            code = CANNOT if number in _NEVER else NO_PRIVILEGE if number in _NOT_ALLOWED else FAILED
            words = error.strerror or os.strerror(number)
            raise Refusal(
                code,
                f"{self._called(target)}: the kernel answered: {words}",
                setting=self.name,
                target=target,
                errno=errno.errorcode.get(number, str(number)),
            ) from error


Setting = SettingOf[Any, Any]  # one of which nobody asks of what kind its levels and values are
