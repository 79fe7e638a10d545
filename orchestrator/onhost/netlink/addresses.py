"""IP addresses of interfaces: read with their flags and lifetimes, added, changed, removed."""

from __future__ import annotations

import ipaddress
import struct
from typing import List, Optional

from orchestrator.onhost.netlink import frames
from orchestrator.onhost.netlink.channel import Channel
from orchestrator.onhost.netlink.entries import Address, AddressEntry

_BODY = struct.Struct("=BBBBi")  # ifaddrmsg: family, prefix length, flags, scope, index
_LIFETIMES = struct.Struct("=IIII")  # ifa_cacheinfo: preferred, valid, created, updated
_ADDRESS, _LOCAL, _LABEL, _BROADCAST, _LIFETIME, _FLAGS, _PRIORITY, _PROTOCOL = 1, 2, 3, 4, 6, 8, 9, 11
FOREVER = 0xFFFFFFFF
NO_DUPLICATE_CHECK = "nodad"
_FLAG_BITS = {
    "secondary": 0x01,
    NO_DUPLICATE_CHECK: 0x02,
    "optimistic": 0x04,
    "dadfailed": 0x08,
    "home": 0x10,
    "deprecated": 0x20,
    "tentative": 0x40,
    "permanent": 0x80,
    "mngtmpaddr": 0x100,
    "noprefixroute": 0x200,
    "autojoin": 0x400,
    "stable-privacy": 0x800,
}
# what a person may ask for; the others are the kernel's own findings
_SETTABLE = (NO_DUPLICATE_CHECK, "home", "mngtmpaddr", "noprefixroute", "autojoin")


def addresses(index: Optional[int] = None) -> List[Address]:
    """Every address of this namespace, or of one interface; lifetimes in seconds, None for ever."""
    with Channel() as channel:
        answers = channel.dump(frames.GET_ADDRESS, _BODY.pack(0, 0, 0, 0, 0))
    found = [described(answer) for kind, answer in answers if kind == frames.NEW_ADDRESS]
    return [each for each in found if each["family"] and index in (None, each["index"])]


def add_address(index: int, entry: AddressEntry, *, no_duplicate_check: bool = False, replace: bool = False) -> None:
    """Add an address as `addresses` describes it (only "address" and "prefix" must be there).

    With `replace` an address that is there takes the given flags and lifetimes. Raises NetlinkError.
    """
    wanted = [name for name in entry.get("flags", []) if name in _SETTABLE]
    if no_duplicate_check:
        wanted.append(NO_DUPLICATE_CHECK)
    bits = 0
    for name in wanted:
        bits |= _FLAG_BITS[name]
    body = _head(index, entry) + frames.attribute(_FLAGS, frames.pack_u32(bits)) + _lifetimes(entry)
    if entry.get("priority"):
        body += frames.attribute(_PRIORITY, frames.pack_u32(entry["priority"]))
    if entry.get("protocol"):
        body += frames.attribute(_PROTOCOL, bytes([entry["protocol"]]))
    with Channel() as channel:
        channel.change(frames.NEW_ADDRESS, frames.CREATE | (frames.REPLACE if replace else frames.EXCLUSIVE), body)


def remove_address(index: int, entry: AddressEntry) -> None:
    """Take an address away; raise NetlinkError when it is not there."""
    with Channel() as channel:
        channel.change(frames.DELETE_ADDRESS, 0, _head(index, entry))


def _head(index: int, entry: AddressEntry) -> bytes:
    own = ipaddress.ip_address(entry["address"])
    scope = entry.get("scope", 0)
    far = entry.get("peer")
    body = _BODY.pack(frames.family_number(own.version), entry["prefix"], 0, scope, index)
    body += frames.attribute(_LOCAL, own.packed)
    body += frames.attribute(_ADDRESS, ipaddress.ip_address(far).packed if far else own.packed)
    if entry.get("broadcast"):
        body += frames.attribute(_BROADCAST, ipaddress.ip_address(entry["broadcast"]).packed)
    if entry.get("label"):
        body += frames.attribute(_LABEL, entry["label"].encode() + b"\0")
    return body


def _lifetimes(entry: AddressEntry) -> bytes:
    valid, preferred = entry.get("valid_s"), entry.get("preferred_s")
    if valid is None and preferred is None:
        return b""
    packed = _LIFETIMES.pack(FOREVER if preferred is None else preferred, FOREVER if valid is None else valid, 0, 0)
    return frames.attribute(_LIFETIME, packed)


def described(answer: bytes) -> Address:
    """An address from the body of the kernel's message about it."""
    number, prefix, short_flags, scope, index = _BODY.unpack_from(answer)
    values = frames.attribute_map(answer[_BODY.size :])
    far = values.get(_ADDRESS, b"")
    own = values.get(_LOCAL, far)
    bits = frames.u32(values[_FLAGS]) if _FLAGS in values else short_flags
    preferred, valid = _LIFETIMES.unpack(values[_LIFETIME])[:2] if _LIFETIME in values else (FOREVER, FOREVER)
    return {
        "index": index,
        "family": frames.family_of(number),
        "prefix": prefix,
        "scope": scope,
        "address": frames.address(own) if own else "",
        "peer": frames.address(far) if far and far != own else "",
        "label": frames.text(values.get(_LABEL, b"")),
        "broadcast": frames.address(values[_BROADCAST]) if _BROADCAST in values else "",
        "flags": [name for name, bit in _FLAG_BITS.items() if bits & bit],
        "preferred_s": None if preferred == FOREVER else preferred,
        "valid_s": None if valid == FOREVER else valid,
        "priority": frames.u32(values[_PRIORITY]) if _PRIORITY in values else 0,
        "protocol": values[_PROTOCOL][0] if _PROTOCOL in values else 0,
    }
