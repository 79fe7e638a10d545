"""Who on a link answers for an IPv4 address: every answer is heard, not only the first that the kernel keeps.

A host of several interfaces answers for an address of any of them by whichever hears the question (ip-sysctl.rst of
Linux, arp_ignore 0): frames then come in by another interface than the one with the address. IPv6 answers only by the
interface that has it (RFC 4861 s7.2.4). The question is the ordinary one of RFC 826; raw sockets need root.
"""

from __future__ import annotations

import select
import socket
import time
from typing import List, Optional, Set, TypedDict

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.system.device_socket import raw_socket

_ARP, _IPV4, _ETHERNET = 0x0806, 0x0800, 1
_REQUEST, _ANSWER = 1, 2
MAX_ANSWERERS = 64  # more are a flood of forged answers, and that somebody else answers is known from the second
ASKS, APART_S, HEARD_S = 3, 0.04, 0.2  # on one link an answer takes milliseconds; three questions survive a lost one


class Question(TypedDict):
    """Who has `address`, and in whose name by which interface it is asked."""

    interface: str
    address: str
    source: str


class Answerers(TypedDict):
    """The hardware addresses that answer."""

    macs: List[str]


def who_answers(args: Question) -> Answerers:
    """The hardware addresses that answer for `address`, asked by `interface` in the name of `source`.

    Refusal "needs_root", "no_raw_frames" or "not_asked" where nobody can be asked so.
    """
    interface, address, source = args["interface"], args["address"], args["source"]
    with raw_socket(_ARP) as raw:
        try:
            raw.bind((interface, _ARP))
            kind, own = raw.getsockname()[3:5]
            if kind != _ETHERNET:
                raise Refusal("not_asked", f"{interface} is no Ethernet interface", interface=interface)
            question = _question(own, socket.inet_aton(source), socket.inet_aton(address))
            macs: Set[str] = set()
            for turn in range(ASKS):
                raw.send(question)
                _listen(raw, socket.inet_aton(address), APART_S if turn + 1 < ASKS else HEARD_S, macs)
        except OSError as error:
            raise Refusal(
                "not_asked",
                f"{interface} cannot ask who has {address}: {error.strerror}",
                interface=interface,
                errno=error.errno,
            ) from error
    return {"macs": sorted(macs)}


def _question(own: bytes, source: bytes, address: bytes) -> bytes:
    head = b"\xff" * 6 + own + _ARP.to_bytes(2, "big")
    return head + b"".join(
        (
            _ETHERNET.to_bytes(2, "big"),
            _IPV4.to_bytes(2, "big"),
            bytes((6, 4)),
            _REQUEST.to_bytes(2, "big"),
            own,
            source,
            bytes(6),
            address,
        )
    ).ljust(46, b"\0")


def _listen(raw: socket.socket, address: bytes, timeout_s: float, macs: Set[str]) -> None:
    until = time.monotonic() + timeout_s
    while True:
        left_s = until - time.monotonic()
        if left_s <= 0 or not select.select([raw], [], [], left_s)[0]:
            return
        answered = _answerer(raw.recv(2048), address)
        if answered is not None and len(macs) < MAX_ANSWERERS:
            macs.add(answered)


def _answerer(frame: bytes, address: bytes) -> Optional[str]:
    """The hardware address in an answer for `address`; None for any other frame."""
    said = frame[14:42]
    if len(said) < 28 or said[6:8] != _ANSWER.to_bytes(2, "big") or said[14:18] != address:
        return None
    return ":".join(f"{octet:02x}" for octet in said[8:14])
