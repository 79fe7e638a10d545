"""The discipline by which packets wait for an interface."""

from __future__ import annotations

import struct
from shlex import quote
from typing import Iterator, List, NamedTuple, Optional

from orchestrator.onhost.netlink import frames
from orchestrator.onhost.netlink.entries import Qdisc, QdiscKept
from orchestrator.onhost.netlink.qdiscs import ROOT
from orchestrator.onhost.safety.spelled import default_queueing_command
from orchestrator.onhost.safety.told import Told, told
from orchestrator.onhost.settings import default_queues, levels
from orchestrator.onhost.settings.base import SettingOf

_DEFAULT = "default"
_MOST_LIMIT = 10_000_000


class _Kind(NamedTuple):
    """How a discipline's limit is packed: as its first word, or as an attribute of this number; None: it has none."""

    limit_attribute: Optional[int]


_FIRST_WORD = 0
# linux/pkt_sched.h: struct tc_fifo_qopt, TCA_FQ_PLIMIT, TCA_FQ_CODEL_LIMIT, TCA_CODEL_LIMIT
_KINDS = {
    "pfifo": _Kind(_FIRST_WORD),
    "bfifo": _Kind(_FIRST_WORD),
    "fq": _Kind(1),
    "fq_codel": _Kind(2),
    "codel": _Kind(2),
    "pfifo_fast": _Kind(None),
    "noqueue": _Kind(None),
}


class _Wish(NamedTuple):
    kind: str
    limit: Optional[int]


class Queueing(SettingOf[_Wish, QdiscKept]):
    """One simple discipline at the root; `default` is what the kernel puts there by itself.

    A host with a tree of its own is not touched: it could not be restored exactly.
    """

    name = "queueing"
    unit = "packets, or bytes for bfifo"
    doc = "The discipline by which packets wait for the interface; TCP and UDP pacing need fq."
    example = "fq"
    domain_text = f"{_DEFAULT}, {', '.join(_KINDS)}; with a limit as in pfifo limit=1000"
    touches = ("qdisc:{target}:",)
    after = ("channels", "transmit-queue-length")

    def _parsed(self, level: object) -> _Wish:
        words = level.split() if isinstance(level, str) else []
        kind = words[0] if words else ""
        if len(words) not in (1, 2) or kind not in (*_KINDS, _DEFAULT):
            raise ValueError(f"queueing is {self.domain_text}, not {levels.shown(level)}")
        if len(words) == 1:
            return _Wish(kind, None)
        if kind == _DEFAULT or _KINDS[kind].limit_attribute is None:
            raise ValueError(f"queueing by {kind} has no limit to set")
        return _Wish(kind, levels.pairs(words[1], ["limit"], f"queueing by {kind}")["limit"])

    def _current(self, target: str, level: object) -> object:
        """The level where it holds, otherwise what is there, as a level would be written."""
        root = _root(self._kernel.qdiscs(self._link(target)["index"]))
        if level is not None and self._fits(root, self._parsed(level)):
            return level
        limit = _limit_of(root)
        return _DEFAULT if root["default"] else root["kind"] + (f" limit={limit}" if limit is not None else "")

    def _matches(self, level: object, seen: object) -> bool:
        return bool(level == seen)

    def _fits(self, root: Qdisc, wish: _Wish) -> bool:
        if wish.kind == _DEFAULT:
            return root["default"]
        if root["kind"] != wish.kind or (root["default"] and wish.kind != "noqueue"):
            return False
        return wish.limit is None or _limit_of(root) == wish.limit

    def _read(self, target: str, level: object) -> QdiscKept:
        """The root; the kernel's default needs no more than its name to come back."""
        root = _root(self._kernel.qdiscs(self._link(target)["index"]))
        if root["default"]:
            return {"kind": root["kind"], "default": True}
        return {"kind": root["kind"], "default": False, "handle": root["handle"], "options": root["options"]}

    def _cannot(self, target: str, level: object) -> str:
        found = self._kernel.qdiscs(self._link(target)["index"])
        root = _root(found)
        tree = any(
            not each["default"] and not each["root"] and each["parent"] >> 16 == root["handle"] >> 16 for each in found
        )
        if not root["default"] and (root["kind"] not in _KINDS or tree):
            return f"{target} has queueing of its own making ({root['kind']}), which could not be restored exactly"
        if default_queues.are_mixed(default_queues.kinds(self._kernel, self._link(target)["index"])):
            return (
                f"the queues of {target} wait in different disciplines, which could not be restored exactly; to "
                f"have the kernel make them alike: {default_queueing_command(target)}"
            )
        wish = self._parsed(level)
        if wish.limit is not None and not 0 < wish.limit <= _MOST_LIMIT:
            return f"a limit is from 1 to {_MOST_LIMIT}"
        return ""

    def _write(self, target: str, level: object) -> None:
        index, wish = self._link(target)["index"], self._parsed(level)
        if wish.kind == _DEFAULT:
            self._kernel.drop_root_qdisc(index)
        else:
            self._kernel.set_root_qdisc(index, wish.kind, _packed(wish), 0)

    def _restored(self, target: str, before: QdiscKept) -> None:
        if self._read(target, None) == before:
            return
        index = self._link(target)["index"]
        # another kind at the same place is replaced, the same kind would only be changed: the old one goes first
        if not _root(self._kernel.qdiscs(index))["default"]:
            self._kernel.drop_root_qdisc(index)
        if not before["default"]:
            self._kernel.set_root_qdisc(index, before["kind"], bytes.fromhex(before["options"]), before["handle"])

    def _kept(self, target: str, level: object) -> str:
        wish = self._parsed(level)
        limit = "" if wish.limit is None else f" limit {wish.limit}"
        if wish.kind == _DEFAULT:
            return f"tc qdisc delete dev {quote(target)} root"
        return f"tc qdisc replace dev {quote(target)} root {wish.kind}{limit}"

    def _mended(self, target: str, value: QdiscKept) -> str:
        if value["default"]:
            return f"tc qdisc delete dev {quote(target)} root"
        limit = _limit_of(value)
        with_limit = f" limit {limit}" if limit is not None else ""
        return f"tc qdisc replace dev {quote(target)} root {value['kind']}{with_limit}"

    def _told(self, target: str, before: QdiscKept, now: QdiscKept) -> Iterator[Told]:
        yield told(self._called(target), _in_words(before), _in_words(now), self._mended(target, before))


def _in_words(root: QdiscKept) -> str:
    """A root discipline in words; two that differ in what has no words are told apart by its bytes."""
    if root["default"]:
        return f"the kernel's own ({root['kind']})"
    limit = _limit_of(root)
    return f"{root['kind']} " + (f"limit {limit}" if limit is not None else root["options"][:24]).strip()


def _root(found: List[Qdisc]) -> Qdisc:
    """The discipline at the root; an interface without any waiting has `noqueue`, which the kernel may not list."""
    nothing: Qdisc = {
        "kind": "noqueue",
        "default": True,
        "root": True,
        "handle": 0,
        "options": "",
        "index": 0,
        "parent": ROOT,
    }
    return next((each for each in found if each["root"]), nothing)


def _packed(wish: _Wish) -> bytes:
    if wish.limit is None:
        return b""
    attribute = _KINDS[wish.kind].limit_attribute
    word = struct.pack("=I", wish.limit)
    return word if attribute == _FIRST_WORD else frames.attribute(attribute or 0, word)


def _limit_of(root: QdiscKept) -> Optional[int]:
    kind, options = _KINDS.get(root["kind"]), bytes.fromhex(root.get("options", ""))
    if kind is None or kind.limit_attribute is None or not options:
        return None
    if kind.limit_attribute == _FIRST_WORD:
        return frames.u32(options)
    word = frames.attribute_map(options).get(kind.limit_attribute)
    return None if word is None else frames.u32(word)
