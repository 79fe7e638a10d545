"""The kinds of broken benches: how each is made, what a run must say of it, and its healthy twin."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from tests.refusals.desk import Desk, Expected

Twin = dict[str, Any]  # what the twin's plan says otherwise


@dataclass(frozen=True)
class Kind:
    """`spoil` breaks a bench and says what must come of it; `heal` makes its twin and gives the twin's plan."""

    name: str
    spoil: Callable[[Desk], Expected]
    heal: Callable[[Desk], Twin]
    second_end: bool = False
    third_host: bool = False
    slow: bool = False  # waits for a minute, as a port with spanning tree would want it


KINDS: dict[str, Kind] = {}


Spoil = Callable[[Desk], Expected]
_INPUT_CHAIN = (
    "nft add table inet filter; nft 'add chain inet filter input { type filter hook input priority 0; policy accept; }'"
)


def _kind(heal: Callable[[Desk], Twin], **more: bool) -> Callable[[Spoil], Spoil]:
    """Enters a kind under the name of the function that spoils."""

    def note(spoil: Spoil) -> Spoil:
        name = spoil.__name__.replace("_", "-")
        KINDS[name] = Kind(name, spoil, heal, **more)
        return spoil

    return note


def _bridge(desk: Desk, name: str) -> str:
    """A bridge over the measured interface, with its addresses."""
    bridge = desk.dice.choice(["br0", "lanbr", "virbr9"])
    port = desk.interface[name]
    desk.on(
        name, f"ip link add {bridge} type bridge; ip link set dev {port} master {bridge}; ip link set dev {bridge} up"
    )
    return bridge


def _move_addresses(desk: Desk, name: str, upper: str) -> None:
    desk.on(name, f"ip address flush dev {desk.interface[name]}; ip address flush dev {upper}")
    desk.give(name, desk.address[name], upper)
    desk.give(name, desk.address_6[name], upper)


def _to_bridge(desk: Desk) -> Twin:
    _move_addresses(desk, desk.second, desk.upper)
    return {"ends": desk.ends(second=desk.upper)}


@_kind(_to_bridge)
def bridge_port_as_end(desk: Desk) -> Expected:
    desk.upper = _bridge(desk, desk.second)
    if desk.dice.random() < 0.5:  # with the address on the bridge, as is usual, or on its port, where it is of no use
        _move_addresses(desk, desk.second, desk.upper)
        desk.on(desk.second, f"ip address flush dev {desk.upper}")
        desk.give(desk.second, desk.address[desk.second], desk.upper)
    return Expected(
        3,
        (
            desk.second,
            f"{desk.interface[desk.second]} is a port of the bridge {desk.upper}",
            f"name {desk.second} {desk.upper}",
        ),
        ("give both",),
    )


def _wider_port(desk: Desk) -> Twin:
    desk.on(desk.first, f"ip link set dev {desk.interface[desk.first]} mtu 9000")
    return {"ends": desk.ends(first=desk.upper), "factors": {"mtu": [9000]}}


@_kind(_wider_port)
def bridge_whose_port_is_too_small(desk: Desk) -> Expected:
    desk.upper = _bridge(desk, desk.first)
    _move_addresses(desk, desk.first, desk.upper)
    port, small = desk.interface[desk.first], desk.dice.choice([1500, 2000, 4000])
    desk.on(desk.first, f"ip link set dev {port} mtu {small}")
    mtu = desk.dice.choice([6000, 9000])
    return Expected(
        1,
        (f"{port} of {desk.first}, a port of the bridge {desk.upper}, has an MTU of {small}", f"{mtu}"),
        ("between the ends",),
        "impossible",
        {"ends": desk.ends(first=desk.upper), "factors": {"mtu": [mtu]}},
    )


def _silence(desk: Desk) -> Twin:
    how = desk.dice.choice(["silent", "down", "elsewhere"])
    desk.on(
        desk.first,
        {
            "silent": "sysctl -qw net.ipv4.conf.eth2.arp_ignore=1",
            "down": "ip link set dev eth2 down",
            "elsewhere": "ip link set dev eth2 address 02:00:5e:10:09:01; ip address flush dev eth2; "
            "sysctl -qw net.ipv4.conf.eth2.arp_filter=1",
        }[how],
    )
    return {}


@_kind(_silence, second_end=True)
def two_interfaces_in_one_network(desk: Desk) -> Expected:
    desk.on(desk.first, "ip address flush dev eth2")
    desk.give(desk.first, desk.spare_address, "eth2")
    return Expected(3, (desk.first, "eth2", "answers", desk.address[desk.first], "arp_ignore=1"), ("filtered",))


def _nothing(desk: Desk) -> Twin:
    return {}


def _another_address_for_third(desk: Desk) -> Twin:
    desk.on(desk.third, f"ip address flush dev {desk.interface[desk.third]}")
    desk.give(desk.third, desk.spare_address)
    return {}


@_kind(_another_address_for_third, third_host=True)
def address_that_another_machine_has(desk: Desk) -> Expected:
    victim = desk.dice.choice([desk.first, desk.second])
    desk.on(desk.third, f"ip address flush dev {desk.interface[desk.third]}")
    desk.give(desk.third, desk.address[victim])
    return Expected(3, (desk.address[victim], victim, "another machine"), ("filtered",))


def _right_pair(desk: Desk) -> Twin:
    return {"address": {"under_test": desk.address[desk.first], "far": desk.address[desk.second]}}


@_kind(_right_pair)
def address_that_no_end_has(desk: Desk) -> Expected:
    pair = [desk.address[desk.first], desk.address[desk.second]]
    place = desk.dice.randrange(2)
    pair[place] = desk.spare_address
    return Expected(
        3,
        (
            (desk.first, desk.second)[place],
            f"does not have the address {desk.spare_address}",
            (desk.address[desk.first], desk.address[desk.second])[place],
        ),
        plan={"address": dict(zip(("under_test", "far"), pair, strict=True))},
    )


@_kind(_right_pair)
def address_of_another_interface(desk: Desk) -> Expected:
    host = desk.dice.choice([desk.first, desk.second])
    control = "10.77.0.11" if host == desk.first else "10.77.0.12"
    pair = [control if name == host else desk.address[name] for name in (desk.first, desk.second)]
    return Expected(
        3,
        (f"{control} is an address of {host}:eth0", desk.interface[host]),
        plan={"address": dict(zip(("under_test", "far"), pair, strict=True))},
    )


def _common_network(desk: Desk) -> Twin:
    desk.flush(desk.second, family="-4")
    desk.give(desk.second, desk.address[desk.second])
    return {}


@_kind(_common_network)
def ends_in_different_networks(desk: Desk) -> Expected:
    desk.flush(desk.second)
    desk.give(desk.second, f"{desk.other_net}.7")
    return Expected(3, (f"{desk.other_net}.7", desk.address[desk.first], "network that both are in", "temporary"))


@_kind(_common_network)
def both_ends_with_one_address(desk: Desk) -> Expected:
    desk.flush(desk.second)
    desk.flush(desk.first, family="-6")
    desk.give(desk.second, desk.address[desk.first])
    return Expected(3, (f"both have {desk.address[desk.first]}",))


def _temporary(desk: Desk) -> Twin:
    return {"address": "temporary"}


@_kind(_temporary)
def link_local_addresses_only(desk: Desk) -> Expected:
    for name in (desk.first, desk.second):
        desk.flush(name)
    return Expected(3, ("only the link-local address fe80::", desk.first, desk.second, "address: temporary"))


@_kind(_common_network)
def end_without_an_address(desk: Desk) -> Expected:
    desk.flush(desk.second)
    desk.on(desk.second, f"sysctl -qw net.ipv6.conf.{desk.interface[desk.second].replace('.', '/')}.disable_ipv6=1")
    return Expected(3, (f"{desk.second}:{desk.interface[desk.second]} has no address", "temporary"))


def _fresh_6(desk: Desk) -> Twin:
    desk.flush(desk.second, family="-6")
    desk.give(desk.second, desk.address_6[desk.second])
    return {"factors": {"ip": [6]}}


@_kind(_fresh_6)
def duplicate_ipv6_address(desk: Desk) -> Expected:
    desk.flush(desk.second, family="-6")
    desk.give(desk.second, desk.address_6[desk.first], extra="")
    desk.on(
        desk.second,
        "for turn in 1 2 3 4 5 6 7 8 9 10; do ip -6 address | grep -q dadfailed && exit 0; sleep 0.5; done; exit 1",
    )
    return Expected(
        3,
        (desk.address_6[desk.first], f"{desk.second}:{desk.interface[desk.second]}", "duplicate"),
        plan={"factors": {"ip": [6]}},
    )


@_kind(_fresh_6)
def ipv6_address_that_stays_tentative(desk: Desk) -> Expected:
    name = desk.interface[desk.second]
    desk.flush(desk.second, family="-6")
    desk.on(desk.second, f"sysctl -qw net.ipv6.conf.{name.replace('.', '/')}.dad_transmits=200")
    desk.give(desk.second, desk.address_6[desk.second], extra="")
    return Expected(3, (desk.address_6[desk.second], desk.second, "tentative"), plan={"factors": {"ip": [6]}})


def _switch_on(desk: Desk) -> Twin:
    desk.on(desk.second, f"ip link set dev {desk.interface[desk.second]} up")
    return {}


@_kind(_switch_on)
def interface_that_is_switched_off(desk: Desk) -> Expected:
    desk.on(desk.second, f"ip link set dev {desk.interface[desk.second]} down")
    return Expected(3, (f"{desk.second}: {desk.interface[desk.second]} is switched off", "up"))


def _plug(desk: Desk) -> Twin:
    desk.lab.switch.plug(desk.first)
    return {}


@_kind(_plug)
def cable_that_is_not_plugged_in(desk: Desk) -> Expected:
    desk.lab.switch.unplug(desk.first)
    return Expected(3, (desk.first, f"{desk.interface[desk.first]} has no carrier", "cable"))


def _least_for_ipv6(desk: Desk) -> Twin:
    return {"factors": {"mtu": [1280], "ip": [6]}}


@_kind(_least_for_ipv6)
def mtu_too_small_for_ipv6(desk: Desk) -> Expected:
    mtu = desk.dice.randrange(68, 1280)
    return Expected(
        1,
        ("RFC 8200", f"MTU of {mtu}", "1280"),
        ("become ready",),
        "impossible",
        {"factors": {"mtu": [mtu], "ip": [6]}},
    )


def _take_away(desk: Desk) -> Twin:
    desk.on(desk.first, "ip link del there")
    return {}


@_kind(_take_away)
def the_other_ends_address_here(desk: Desk) -> Expected:
    desk.on(
        desk.first, "ip link add there type veth peer name there2; ip link set dev there2 up; ip link set dev there up"
    )
    desk.give(desk.first, desk.address[desk.second], "there", 32)
    return Expected(3, (desk.address[desk.second], f"{desk.first} itself (on there)"))


def _accepting(desk: Desk) -> Twin:
    desk.on(desk.second, f"nft flush ruleset; {_INPUT_CHAIN}")
    return {}


@_kind(_accepting)
def packet_filter_that_refuses(desk: Desk) -> Expected:
    port = desk.dice.choice(["udp dport 20000-20063", "meta l4proto udp", f"ip saddr {desk.address[desk.first]}"])
    desk.on(
        desk.second,
        f"{_INPUT_CHAIN}; nft 'add rule inet filter input iifname \"{desk.interface[desk.second]}\" {port} reject'",
    )
    return Expected(1, (desk.address[desk.second], desk.second, "packet filter", "inet filter"), (), "failed")


@_kind(_accepting, slow=True)
def packet_filter_that_drops(desk: Desk) -> Expected:
    desk.on(
        desk.second,
        f"{_INPUT_CHAIN}; nft 'add rule inet filter input iifname "
        f'"{desk.interface[desk.second]}" meta l4proto udp drop\'',
    )
    return Expected(1, (desk.second, "packet filter", "inet filter"), (), "failed")


def _loose(desk: Desk) -> Twin:
    desk.on(desk.second, f"sysctl -qw net.ipv4.conf.{desk.interface[desk.second].replace('.', '/')}.rp_filter=2")
    return {}


@_kind(_loose, slow=True)
def strict_reverse_path_with_another_way_back(desk: Desk) -> Expected:
    name = desk.interface[desk.second]
    desk.on(
        desk.second,
        f"sysctl -qw net.ipv4.conf.{name.replace('.', '/')}.rp_filter=1; ip route add "
        f"{desk.address[desk.first]}/32 dev eth0",
    )
    return Expected(1, (desk.second, "rp_filter", "eth0"), (), "failed")


@_kind(_nothing)
def core_that_is_not_there(desk: Desk) -> Expected:
    core = desk.dice.randrange(300, 1000)
    return Expected(1, (f"has no core {core}",), (), "impossible", {"factors": {"sender_core": [core]}})
