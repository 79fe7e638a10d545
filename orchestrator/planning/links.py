"""A link of a plan: the interface under test, the far one, and what is between them. Short forms become long here."""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from orchestrator.planning.fields import DEFAULT_PORTS, Part, Ports, Rate, refuse

EndName = Literal["under_test", "far"]
UNDER_TEST: EndName = "under_test"
FAR: EndName = "far"
ENDS: tuple[EndName, EndName] = (UNDER_TEST, FAR)
SENDERS: dict[str, tuple[EndName, ...]] = {"transmit": (UNDER_TEST,), "receive": (FAR,), "bidirectional": ENDS}
INTERFACE = r"[A-Za-z0-9_.][A-Za-z0-9_.:-]{0,14}"
_SHAPES = {
    "mac": (r"[0-9a-f]{2}(:[0-9a-f]{2}){5}", "six pairs of hexadecimal digits, such as 02:00:5e:10:00:07"),
    "bus": (r"[A-Za-z0-9][A-Za-z0-9.:_-]{0,63}", "a bus address, such as 0000:03:00.0"),
    "driver": (r"[A-Za-z0-9_][A-Za-z0-9_-]{0,31}", "a driver's name, such as virtio_net"),
}
_MARKS = ("interface", *_SHAPES)


def other_end(end: EndName) -> EndName:
    """The end that this one talks to."""
    return FAR if end == UNDER_TEST else UNDER_TEST


def selector_problem(selector: str) -> str:
    """Why this text (`eth1`, `mac:...`, `bus:...`, `driver:...`) names no interface, or ""."""
    kind, colon, value = selector.partition(":")
    if colon and kind in _SHAPES:
        shape, words = _SHAPES[kind]
        return "" if re.fullmatch(shape, value, re.ASCII) else f"'{value[:40]}' is not {words}"
    if re.fullmatch(INTERFACE, selector, re.ASCII) and selector not in {".", ".."}:
        return ""
    return f"'{selector[:40]}' cannot be an interface's name: 1 to 15 letters, digits, '_', '.', ':' and '-'"


def host_and_selector(text: str) -> tuple[str, str]:
    """`dome eth1` as (host, interface's mark); the mark is "" where only a host is named."""
    host, _, selector = text.strip().partition(" ")
    return host, selector.strip()


def _long_end(value: object) -> object:
    """Bring `dome eth1` into the long form; exactly one mark names the interface."""
    if isinstance(value, str):
        host, selector = host_and_selector(value)
        before, colon, after = value.partition(":")
        if not selector and colon:
            refuse("bad-value", f"'{value[:60]}' names no interface", f"write {before.strip()} {after.strip()}"[:80])
        if not selector:
            refuse(
                "bad-value",
                f"'{value[:60]}' names no interface",
                f'write {host or "dome"} eth1, or {{host: {host or "dome"}, mac: "02:00:5e:10:00:07"}}',
            )
        if problem := selector_problem(selector):
            refuse("bad-value", problem)
        kind, _, mark = selector.partition(":")
        return {"host": host, kind: mark} if mark and kind in _SHAPES else {"host": host, "interface": selector}
    if not isinstance(value, dict):
        refuse("wrong-type", "an end is text such as dome eth1, or a mapping such as {host: dome, mac: ...}")
    marks = {kind: text for kind, text in value.items() if kind in _MARKS and text is not None}
    if len(marks) != 1 and set(value) <= {"host", *_MARKS}:
        said = "no interface" if not marks else f"{len(marks)} marks ({', '.join(marks)})"
        refuse("bad-value", f"the end names {said}", "give exactly one of interface, mac, bus, driver")
    return value


def _mark(kind: str) -> BeforeValidator:
    """How one mark of an interface is read."""

    def read(text: object) -> object:
        if not isinstance(text, str):
            return text
        text = text.lower() if kind == "mac" else text
        problem = selector_problem(text if kind == "interface" else f"{kind}:{text}")
        if not problem and kind == "interface" and text.partition(":")[0] in _SHAPES:
            problem = f"'{text}' cannot be an interface's name here"
        return refuse("bad-value", problem) if problem else text

    return BeforeValidator(read)


class End(Part):
    """One end of a link: a host and one interface of it, named by exactly one of four marks."""

    host: str = Field(description="A host of this plan.", examples=["dome"])
    interface: Annotated[str, _mark("interface")] | None = Field(
        default=None, description="The interface's name.", examples=["eth1"]
    )
    mac: Annotated[str, _mark("mac")] | None = Field(
        default=None, description="Its hardware address.", examples=["02:00:5e:10:00:07"]
    )
    bus: Annotated[str, _mark("bus")] | None = Field(
        default=None, description="Its address on the bus.", examples=["0000:03:00.0"]
    )
    driver: Annotated[str, _mark("driver")] | None = Field(
        default=None, description="Its driver, if the host has one interface of it.", examples=["virtio_net"]
    )

    @property
    def selector(self) -> str:
        """The mark as one text: `eth1`, `mac:...`, `bus:...` or `driver:...`."""
        if self.interface is not None:
            return self.interface
        return next(f"{kind}:{mark}" for kind in ("mac", "bus", "driver") if (mark := getattr(self, kind)) is not None)

    @property
    def pair(self) -> tuple[str, str]:
        """(host, the interface's mark)."""
        return self.host, self.selector

    def __str__(self) -> str:
        """`dome eth1`, as a plan writes it."""
        return f"{self.host} {self.selector}"


AnyEnd = Annotated[End, BeforeValidator(_long_end)]


def _address(text: object) -> str:
    """One address of an end."""
    try:
        address = ipaddress.ip_address(text if isinstance(text, str) else "")
    except ValueError:
        bare = str(text).partition("/")[0]
        refuse(
            "bad-value",
            f"'{str(text)[:60]}' is not an IPv4 or IPv6 address",
            f"write {bare} without its prefix length" if "/" in str(text) else "",
        )
    if address.is_multicast or address.is_unspecified:
        refuse("bad-value", f"{address} cannot be the address of one end")
    return str(address)


Address = Annotated[str, BeforeValidator(_address)]


class LinkAddresses(Part):
    """The address of each end."""

    under_test: Address = Field(description="Of the interface under test.", examples=["198.18.0.1"])
    far: Address = Field(description="Of the far interface.", examples=["198.18.0.2"])

    @property
    def pair(self) -> tuple[str, str]:
        """(of the interface under test, of the far one)."""
        return self.under_test, self.far

    @property
    def version(self) -> int:
        """The IP version of both."""
        return ipaddress.ip_address(self.under_test).version


def _addresses(value: object) -> object:
    """`auto`, `temporary`, or an address for each end, of one family."""
    if isinstance(value, str) and value in {"auto", "temporary"}:
        return value
    such = "write auto, or {under_test: 198.18.0.1, far: 198.18.0.2}"
    if not isinstance(value, dict):
        refuse("bad-value", "address is auto, temporary, or an address for each end", such)
    if set(value) != set(ENDS):
        wrong = sorted(set(value) - set(ENDS))
        said = f"'{str(wrong[0])[:40]}' is no end" if wrong else "an address for one end alone"
        refuse("bad-value", f"{said}: the ends are under_test and far", such)
    found = LinkAddresses(under_test=_address(value[UNDER_TEST]), far=_address(value[FAR]))
    far = ipaddress.ip_address(found.far)
    if far.version != found.version:
        one, two = found.pair
        refuse("clash", f"{one} and {two} are not of one family: one is IPv{found.version}, one IPv{far.version}")
    if found.under_test == found.far:
        refuse("clash", f"both ends have the address {found.far}")
    return found


Addresses = Annotated[Literal["auto", "temporary"] | LinkAddresses, BeforeValidator(_addresses)]


class Link(Part):
    """An interface under test, and the far interface that traffic runs between."""

    under_test: AnyEnd = Field(
        description="The interface under test: its host and its name, or a mapping. Directions are seen from it.",
        examples=["dome eth1"],
    )
    far: AnyEnd = Field(
        description="The far interface: its host and its name, or a mapping.",
        examples=["hall eth1"],
    )
    rate_bit_s: Rate | None = Field(
        default=None,
        alias="rate",
        description="The narrowest rate on the way that you know of; otherwise read from both ends.",
    )
    address: Addresses = Field(
        default="auto",
        description="auto: the addresses the ends have. temporary: from the benchmarking blocks 198.18.0.0/15 and "
        "2001:2::/48, gone at the end. Or an address for each end.",
        examples=["auto", {"under_test": "198.18.0.1", "far": "198.18.0.2"}],
    )
    ports: Ports = Field(
        default=DEFAULT_PORTS, validate_default=True, description="The ports that the far end listens on."
    )
    isolated: bool = Field(default=False, description="true: the link is yours, with nobody else on it (RFC 6815).")

    @property
    def ends(self) -> tuple[End, End]:
        """The end under test, then the far end."""
        return self.under_test, self.far

    @property
    def addresses(self) -> LinkAddresses | None:
        """The addresses that the plan names, if it does."""
        return None if isinstance(self.address, str) else self.address

    def end(self, name: EndName) -> End:
        """The end of that name."""
        return self.under_test if name == UNDER_TEST else self.far


def _at(value: object) -> object:
    """Where a setting is changed is one text."""
    if isinstance(value, list | dict):
        both = "write at: both" if isinstance(value, list) and len(value) == 2 else ""
        refuse("wrong-type", "at is under_test, far, both, a host, or a host and its interface", both)
    return value


At = Annotated[
    str,
    BeforeValidator(_at),
    Field(
        description="under_test, far or both ends of the link; a host; or a host and its interface.",
        examples=["both", "dome", "dome eth1"],
    ),
]
