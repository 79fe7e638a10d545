"""Queueing disciplines: read with their options as the kernel packs them, set, and taken away."""

from __future__ import annotations

import struct
from typing import List, Optional

from orchestrator.onhost.netlink import frames
from orchestrator.onhost.netlink.channel import Channel
from orchestrator.onhost.netlink.entries import Qdisc

_BODY = struct.Struct("=BxHiIII")  # tcmsg: family, padding, index, handle, parent, info
_KIND, _OPTIONS = 1, 2
ROOT = 0xFFFFFFFF


def qdiscs(index: int) -> List[Qdisc]:
    """The disciplines of an interface; `default` is one that the kernel put there itself (handle 0).

    `options` are the kernel's packed bytes as hex digits: good for restoring, not for reading.
    """
    with Channel() as channel:
        answers = channel.dump(frames.GET_QDISC, _BODY.pack(0, 0, index, 0, 0, 0))
    found = [_read(answer) for kind, answer in answers if kind == frames.NEW_QDISC]
    return [each for each in found if each["index"] == index]


def set_root_qdisc(index: int, kind: str, options: bytes = b"", handle: int = 0) -> None:
    """Make `kind` the interface's discipline, whatever was there; handle 0 lets the kernel choose one."""
    body = _BODY.pack(0, 0, index, handle, ROOT, 0) + frames.attribute(_KIND, kind.encode() + b"\0")
    if options:
        body += frames.attribute(_OPTIONS, options)
    with Channel() as channel:
        channel.change(frames.NEW_QDISC, frames.CREATE | frames.REPLACE, body)


def drop_root_qdisc(index: int) -> None:
    """Take the discipline away, so that the kernel puts its default there; raise NetlinkError without one."""
    with Channel() as channel:
        channel.change(frames.DELETE_QDISC, 0, _BODY.pack(0, 0, index, 0, ROOT, 0))


def _read(answer: bytes) -> Qdisc:
    _, _, index, handle, parent, _ = _BODY.unpack_from(answer)
    values = frames.attribute_map(answer[_BODY.size :])
    options: Optional[bytes] = values.get(_OPTIONS)
    return {
        "index": index,
        "kind": frames.text(values.get(_KIND, b"")),
        "handle": handle,
        "parent": parent,
        "root": parent == ROOT,
        "default": handle == 0,
        "options": options.hex() if options is not None else "",
    }
