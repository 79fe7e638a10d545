"""Where a plan can hurt someone: other users of a network, the hardware, or the people beside it."""

from __future__ import annotations

import ipaddress
import re
import shlex
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from orchestrator.planning.cells import Cell, SettingUse, cells
from orchestrator.planning.min_lease import needs_of
from orchestrator.planning.plan import Plan
from orchestrator.words.units import DURATION, format_as

_IPV6_LEAST_MTU = 1280  # RFC 8200 s5
# Ranges that cannot lead to a stranger: RFC 1918, RFC 4193, RFC 3927, RFC 4291 s2.5.6, RFC 2544 App. C.2.2 (RFC 6890),
# RFC 5180 s8, and this machine itself. Written out, because Python's `is_private` differs between its versions.
OWN_RANGES = tuple(
    ipaddress.ip_network(text)
    for text in ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "198.18.0.0/15", "127.0.0.0/8",
                 "fc00::/7", "fe80::/10", "2001:2::/48", "::1/128")
)  # fmt: skip

# What holds for every plan that changes how a machine runs or boots.
STANDING = (
    (
        "Clocks and voltages beyond the maker's figures can damage hardware and lose data: stay within the maker's "
        "limits, and see that it is cooled."
    ),
    (
        "Before you vary boot lines, kernels or clocks, keep a way to power-cycle the machine and to recover its boot "
        "medium: a spare card, a console."
    ),
    (
        "linktrial writes no firmware and no voltages by itself: of boot files only the lines that the plan states, "
        "and what they ask of the hardware is yours to answer for."
    ),
)


@dataclass(frozen=True)
class _Danger:
    """What in a setting's name or a command's arguments shows a danger, and what to say then."""

    code: str
    shows: re.Pattern[str]
    text: str


_DANGERS = (
    _Danger(
        "clock",
        re.compile(r"governor|freq|clock|boost|idle|cpu[-_]?speed|overclock|turbo", re.IGNORECASE),
        "clocks beyond the maker's figures can damage the hardware and lose data: stay within the maker's limits, "
        "and see that it is cooled",
    ),
    _Danger(
        "voltage",
        re.compile(r"volt|(?<![a-z])u?v(core|dd)|regulator|overclock", re.IGNORECASE),
        "voltages beyond the maker's figures destroy hardware: stay within the maker's limits; power supplies and "
        "open boards are dangerous to touch",
    ),
    _Danger(
        "boot",
        re.compile(
            r"^(boot-lines|kernel)(?![\w.-])|/boot/|grub|extlinux|uboot|fw_setenv|eeprom|flashrom",
            re.IGNORECASE,
        ),
        "a wrong boot line or kernel leaves a host that does not come up, and wrongly written firmware one that "
        "never does: keep a way to power-cycle it and to recover its boot medium (a spare card, a console)",
    ),
    _Danger(
        "mains",
        re.compile(r"mains|relay|outlet|pdu|(power|plug|socket)[-_]?(cycle|switch|strip|off)", re.IGNORECASE),
        "switching external power can hurt people and lose data: follow the local electrical rules, and leave mains "
        "work to licensed people",
    ),
)


@dataclass(frozen=True)
class Caution:
    """A sentence that belongs beside the plan; `about` is a link, host or setting."""

    code: str
    about: str
    text: str


def cautions(plan: Plan, found: Sequence[Cell]) -> tuple[Caution, ...]:
    """Every caution that applies to the plan."""
    return (*_links(plan, found), *_settings(plan, found), *_lease(plan, found), *_power(plan), *_frames(found))


def unlimited_udp_problem(plan: Plan, link: str, addresses: Iterable[str]) -> str:
    """Why this link's UDP trials must not be sent between these addresses, or "".

    `run` refuses on any text. A UDP cell without an intended load sends as fast as the host can; to an address that
    is not private, link-local or for benchmarking that is an attack on whoever has it, unless the plan says that the
    link is isolated.
    """
    return "" if plan.links[link].isolated else udp_to_strangers(link, cells(plan), addresses)


def udp_to_strangers(link: str, found: Iterable[Cell], addresses: Iterable[str]) -> str:
    """The same for a link that is not isolated, from its cells."""
    if not _unlimited(link, found):
        return ""
    strangers = [address for address in addresses if not own_address(address)]
    if not strangers:
        return ""
    return (
        f"link '{link}' has UDP trials without an intended load, and {strangers[0]} is neither a private, nor a "
        "link-local, nor a benchmarking address (198.18.0.0/15, 2001:2::/48): say intended_load, use such addresses, "
        "or, if the link carries nobody else's traffic, say `isolated: true`"
    )


def own_address(text: str) -> bool:
    """Whether an address lies in a range that cannot lead to a stranger; what is no address does not."""
    try:
        address = ipaddress.ip_address(text)
    except ValueError:
        return False
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    return any(address in network for network in OWN_RANGES if network.version == address.version)


def _unlimited(link: str, found: Iterable[Cell]) -> list[Cell]:
    """The UDP cells of a link that have no intended load."""
    return [
        cell
        for cell in found
        if link in cell.links and cell.traffic["transport"] == "udp" and cell.traffic["intended_load"] is None
    ]


def _links(plan: Plan, found: Sequence[Cell]) -> Iterator[Caution]:
    """Traffic that others may have to share."""
    for name, link in plan.links.items():
        if link.isolated:
            continue
        yield Caution(
            "shared-link",
            name,
            f"link '{name}' is not marked isolated: test traffic can saturate everything it crosses, so send it only "
            "over links that you own and that carry nobody else's traffic (RFC 6815)",
        )
        unlimited = _unlimited(name, found)
        if unlimited:
            problem = unlimited_udp_problem(plan, name, link.addresses.pair) if link.addresses else ""
            text = (
                f"{_numbered([cell.number for cell in unlimited])} of link '{name}' send UDP as fast as the host can: "
                "`run` refuses that to addresses outside the private, link-local and benchmarking ranges unless the "
                "link says `isolated: true`"
            )
            yield Caution("unlimited-udp", name, f"`run` will refuse: {problem}" if problem else text)


def _settings(plan: Plan, found: Sequence[Cell]) -> Iterator[Caution]:
    """Changes that can damage hardware, cut off a host, or stay."""
    uses: dict[tuple[str, ...], SettingUse] = {use.place: use for cell in found for use in cell.settings}
    for danger in _DANGERS:
        hosts = sorted({use.host for use in uses.values() if danger.shows.search(_words(use))})
        if hosts:
            yield Caution(danger.code, ", ".join(hosts), f"{', '.join(hosts)}: {danger.text}")
    places = sorted(
        {f"{use.host} {use.selector}" for use in uses.values() if use.selector and use.setting in plan.costly}
    )
    if places:
        yield Caution(
            "control-path",
            ", ".join(places),
            f"{', '.join(places)}: a change there drops the link for seconds; if SSH reaches the host over the same "
            "interface, the host restores itself when it does not hear from the controller within the lease",
        )
    restarted = sorted({use.host for use in uses.values() if use.restarts})
    if restarted:
        yield Caution(
            "restart",
            ", ".join(restarted),
            f"{', '.join(restarted)}: restarted for its levels, as is everything else that runs there. Each level is "
            "written for one start, which puts the file back; only a kernel or a line with which it does not come up "
            "so far needs you, unless the boot loader uses the choice up by itself",
        )
    own = sorted({f"{use.host}: {use.factor}" for use in uses.values() if use.setting == "command"})
    if own:
        yield Caution(
            "own-command",
            ", ".join(own),
            f"{', '.join(own)}: programs of the plan's own run there; what they change beside the value that they read "
            "back, nothing can restore",
        )


def _lease(plan: Plan, found: Sequence[Cell]) -> Iterator[Caution]:
    """A lease that would be too short where SSH shares an interface, which only the hosts can tell."""
    short: dict[tuple[str, float, float], list[str]] = {}
    for need in needs_of(plan, found):
        if need.sure_s > plan.lease_s:
            short.setdefault((need.what, need.min_s, need.sure_s), []).append(f"{need.host} {need.selector}")
    for (what, min_s, sure_s), places in short.items():
        least, sure = format_as(DURATION, min_s), format_as(DURATION, sure_s)
        said = (
            f"`run` will refuse: {what} there needs a lease of at least {least}"
            if min_s > plan.lease_s
            else f"{what} there may take the link longer than the lease leaves, which then ends the trial"
        )
        said += f"; {sure} does in any case" if sure_s > min_s else ""
        text = f"{', '.join(places)}: if SSH reaches the host over the same interface, {said}"
        yield Caution("short-lease", ", ".join(places), text)


def _power(plan: Plan) -> Iterator[Caution]:
    """Hosts whose power this machine may switch."""
    for name, host in plan.hosts.items():
        if host.power_cycle is not None:
            yield Caution(
                "power-cycle",
                name,
                f"{name}: if it gives no sign of life for {plan.patience_s:g} s, this machine runs "
                f"`{shlex.join(host.power_cycle.command)}`, at most once in a trial and twice in a run; what was not "
                "written to its disks is lost. Switching external power can hurt people: follow the local electrical "
                "rules, leave mains work to licensed people, and see that nothing else hangs on the same switch",
            )


def _words(use: SettingUse) -> str:
    """Everything that a use says, to look for what it may do."""
    level = use.level
    texts = [use.setting]
    if isinstance(level, dict):
        texts += [use.factor, str(level.get("file", ""))]
        texts += [str(part) for key in ("read", "write", "check", "level") for part in _list(level.get(key))]
    return " ".join(texts)


def _list(value: object) -> list[object]:
    """`value` where it is a list."""
    return value if isinstance(value, list) else []


def _frames(found: Sequence[Cell]) -> Iterator[Caution]:
    """Cells that the Internet's own rules make impossible, or other than they look."""
    small, cut = [], []
    for cell in found:
        mtus = [use.level for use in cell.settings if use.setting == "mtu" and isinstance(use.level, int)]
        least = min(mtus, default=None)
        if least is None:
            continue
        size = cell.traffic["datagram_bytes"]
        if cell.traffic["ip"] == 6 and least < _IPV6_LEAST_MTU:
            small.append(cell.number)
        if size is not None and size + 28 > least:
            cut.append(cell.number)
    if small:
        yield Caution(
            "ipv6-mtu",
            "mtu",
            f"{_numbered(small)}: IPv6 needs an MTU of at least {_IPV6_LEAST_MTU} (RFC 8200 s5), so this will be "
            "impossible",
        )
    if cut:
        yield Caution(
            "fragments",
            "datagram_size",
            f"{_numbered(cut)}: the datagrams do not fit the MTU and would travel in fragments",
        )


def _numbered(numbers: Sequence[int]) -> str:
    """`cells 1, 2, 3 and 17 more`."""
    first = ", ".join(map(str, numbers[:5]))
    more = f" and {len(numbers) - 5} more" if len(numbers) > 5 else ""
    return f"cell{'s' * (len(numbers) > 1)} {first}{more}"
