"""Settings on emulated cards and whole kernels: applied by our helper, read by other people's programs, restored.

What network namespaces cannot show: rings, coalescing, pause frames, speeds and duplex (a card behind a driver that has
them), interrupts that can be moved, and parameters that belong to the machine as a whole. Which driver has what was
read from the drivers by hand first; QEMU 7.2's emulation of a card is the hardware.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NamedTuple

import pytest

from orchestrator.lab.guests.cards import Card
from orchestrator.lab.guests.machine import Machine
from orchestrator.lab.guests.machines import Machines
from orchestrator.lab.guests.recipe import CLOUD, FULL
from orchestrator.lab.guests.scenario import Guest
from tests.guests.helper_there import HeldGuest, held

pytestmark = [pytest.mark.guests, pytest.mark.proof, pytest.mark.timeout(290)]

_FULL_KERNEL = 1  # of FULL's two
_CARDS = (Card("e1000e"), Card("rtl8139"), Card("pcnet"), Card("e1000"))  # eth1 ... eth4 of dome
GUESTS = (
    Guest("dome", 11, cards=_CARDS, recipe=FULL, kernel=_FULL_KERNEL, cores=2),
    Guest("hall", 12, cards=(Card("virtio-net-pci", queues=2), Card("vmxnet3")), recipe=CLOUD, cores=2),
)


class Case(NamedTuple):
    """A level, the command by which somebody else looks, and what it prints then."""

    host: str
    setting: str
    target: str
    level: object
    look: str
    shows: str


def _current(option: str, interface: str, word: str) -> str:
    """The value of one word in the lower half of what `ethtool -g` or `-l` prints."""
    return f"ethtool {option} {interface} | sed -n '/Current/,$p' | sed -n 's/^{word}:[[:space:]]*//p'"


def _pause(interface: str) -> str:
    return f"ethtool -a {interface} | sed -n 's/^\\(Autonegotiate\\|RX\\|TX\\):[[:space:]]*//p' | xargs"


def _link(interface: str) -> str:
    return f"ethtool {interface} | sed -n 's/^.*\\(Speed\\|Duplex\\|Auto-negotiation\\): //p' | xargs"


def _offers(interface: str) -> str:
    """The first line of what is offered. QEMU's link comes up at 1 Gb/s whatever is offered, so speed shows nothing."""
    return f"ethtool {interface} | sed -n 's/^.*Advertised link modes: *//p'"


def _cores(pattern: str) -> str:
    return (
        f"for i in $(sed -n 's/^ *\\([0-9]*\\):.*{pattern}.*/\\1/p' /proc/interrupts); do "
        "cat /proc/irq/$i/smp_affinity_list; done | xargs"
    )


def _feature(interface: str, *names: str) -> str:
    pattern = "\\|".join(names)
    return f"ethtool -k {interface} | sed -n 's/^\\(.*[[:space:]]\\)*\\({pattern}\\): \\([a-z]*\\).*/\\3/p' | xargs"


TAKEN = (
    Case("dome", "receive-ring", "eth1", 512, _current("-g", "eth1", "RX"), "512"),
    Case("dome", "transmit-ring", "eth1", 1024, _current("-g", "eth1", "TX"), "1024"),
    Case(
        "dome",
        "interrupt-coalescing",
        "eth1",
        "rx-usecs=50",
        "ethtool -c eth1 | sed -n 's/^rx-usecs:[[:space:]]*//p'",
        "50",
    ),
    Case("dome", "pause-frames", "eth1", "off", _pause("eth1"), "off off off"),
    Case("dome", "pause-frames", "eth1", "receive", _pause("eth1"), "off on off"),
    Case("dome", "pause-frames", "eth1", "transmit", _pause("eth1"), "off off on"),
    Case("dome", "pause-frames", "eth1", "both", _pause("eth1"), "off on on"),
    Case("dome", "speed", "eth1", "100Mbit/s", _offers("eth1"), "100baseT/Full"),
    Case("dome", "speed", "eth1", "100Mbit/s half", _offers("eth1"), "100baseT/Half"),
    Case("dome", "speed", "eth1", "forced 10Mbit/s half", _link("eth1"), "10Mb/s Half off"),
    Case("dome", "speed", "eth4", "10Mbit/s", _offers("eth4"), "10baseT/Full"),
    Case("dome", "mtu", "eth1", 9000, "cat /sys/class/net/eth1/mtu", "9000"),
    Case("dome", "mtu", "eth2", 4000, "cat /sys/class/net/eth2/mtu", "4000"),
    Case("dome", "receive-ring", "eth3", 16, _current("-g", "eth3", "RX"), "16"),
    Case("dome", "receive-ring", "eth4", 512, _current("-g", "eth4", "RX"), "512"),
    Case("dome", "segmentation-offload", "eth1", "off", _feature("eth1", "tx-tcp-segmentation"), "off"),
    Case(
        "dome",
        "checksum-offload",
        "eth1",
        "off",
        _feature("eth1", "rx-checksumming", "tx-checksum-ip-generic"),
        "off off",
    ),
    Case("dome", "interrupt-cores", "eth1", "1", _cores("eth1"), "1 1 1"),
    Case("dome", "interrupt-cores", "eth1", "spread", _cores("eth1"), "0 1 0"),
    Case("hall", "receive-ring", "eth1", 128, _current("-g", "eth1", "RX"), "128"),
    Case("hall", "transmit-ring", "eth1", 128, _current("-g", "eth1", "TX"), "128"),
    Case("hall", "channels", "eth1", 1, _current("-l", "eth1", "Combined"), "1"),
    Case("hall", "receive-ring", "eth2", 512, _current("-g", "eth2", "RX"), "512"),
    Case("hall", "checksum-offload", "eth2", "off", _feature("eth2", "rx-checksumming"), "off"),
    Case("hall", "queueing", "eth1", "fq", "tc qdisc show dev eth1 root | cut -d' ' -f2", "fq"),
    Case(
        "hall",
        "queueing",
        "eth2",
        "fq_codel limit=500",
        "tc qdisc show dev eth2 root | sed -n 's/.*\\(limit [0-9]*p\\).*/\\1/p'",
        "limit 500p",
    ),
    Case("hall", "backlog", "", 5000, "sysctl -n net.core.netdev_max_backlog", "5000"),
    Case("hall", "busy-polling", "", 50, "sysctl -n net.core.busy_read net.core.busy_poll | xargs", "50 50"),
    Case("hall", "net.core.default_qdisc", "", "fq", "sysctl -n net.core.default_qdisc", "fq"),
    Case("hall", "tcp-memory", "", "10000 20000 30000", "sysctl -n net.ipv4.tcp_mem | xargs", "10000 20000 30000"),
    Case("hall", "receive-buffer-limit", "", "16MiB", "sysctl -n net.core.rmem_max", "16777216"),
    Case("hall", "transmit-buffer-limit", "", "16MiB", "sysctl -n net.core.wmem_max", "16777216"),
    Case("hall", "congestion-control", "", "bbr", "sysctl -n net.ipv4.tcp_congestion_control", "bbr"),
    Case("hall", "flow-steering", "eth1", 1024, "sysctl -n net.core.rps_sock_flow_entries", "1024"),
)

# Here `shows` is what the refusal says; what the look prints must stay the same.
REFUSED = (
    Case("dome", "interrupt-coalescing", "eth1", "rx-frames=8", "ethtool -c eth1 | head -8", "not supported"),
    Case("dome", "speed", "eth1", "2.5Gbit/s", _link("eth1"), "its fastest is 1000 Mbit/s"),
    Case("dome", "mtu", "eth1", 9300, "cat /sys/class/net/eth1/mtu", "greatest is 9212"),
    Case("dome", "mtu", "eth2", 9000, "cat /sys/class/net/eth2/mtu", "greatest is 4096"),
    Case("dome", "mtu", "eth3", 9000, "cat /sys/class/net/eth3/mtu", "cannot do jumbo frames"),
    Case("dome", "receive-ring", "eth2", 32, "ethtool -g eth2", "not supported"),
    Case("dome", "channels", "eth1", 2, "cat /sys/class/net/eth1/mtu", "no channels to set"),
    Case("dome", "energy-efficient-ethernet", "eth1", "off", "cat /sys/class/net/eth1/mtu", "no energy-efficient"),
    Case("hall", "receive-ring", "eth1", 1024, "ethtool -g eth1", "at most 256"),
    Case("hall", "interrupt-coalescing", "eth1", "rx-usecs=50", "ethtool -c eth1 | head -8", "not supported"),
    Case("hall", "speed", "eth1", "1Gbit/s", _link("eth1"), "no speed to set"),
    Case("hall", "channels", "eth2", 1, "ethtool -l eth2", "not supported"),
    Case("hall", "governor", "", "performance", "true", "no cpufreq"),
    Case("hall", "idle-limit", "", "0", "true", "no idle states"),
)


@pytest.fixture(scope="module")
def machines() -> Iterator[Machines]:
    with Machines(GUESTS) as made:
        yield made


@contextmanager
def _prepared(
    machines: Machines, name: str, cases: tuple[Case, ...]
) -> Iterator[tuple[Machine, HeldGuest, list[Case]]]:
    """A guest with every place of its cases noted as found; at the end all is restored, and compares as found."""
    of_this = [case for case in cases if case.host == name]
    places = {(case.setting, case.target): case.level for case in of_this}
    with machines[name].one_connection(), held(machines, name) as holding:
        holding.prepare(
            sorted({target for _, target in places if target}),
            [{"setting": setting, "target": target, "level": level} for (setting, target), level in places.items()],
        )
        yield machines[name], holding, of_this
        compared = holding.restore()
        assert compared["touched"] == []
        assert compared["ok"]


def _look(machine: Machine, case: Case, expected: str) -> str:
    """What the other program shows; copper renegotiates for seconds after many changes: it is asked for that long."""
    until = time.monotonic() + 10
    while (seen := machine.output(case.look).strip()) != expected and time.monotonic() < until:
        time.sleep(0.2)
    return seen


def _wait_for_carrier(machine: Machine, interface: str) -> None:
    """Until the link has come back from the case before: while it negotiates it shows neither speed nor duplex."""
    if interface:
        machine.output(f"for i in $(seq 100); do grep -q 1 /sys/class/net/{interface}/carrier && exit; sleep 0.1; done")


@pytest.mark.parametrize("name", ["dome", "hall"])
def test_what_a_card_or_a_kernel_takes_is_seen_by_other_programs_and_restored(machines: Machines, name: str) -> None:
    wrong = []
    with _prepared(machines, name, TAKEN) as (machine, holding, cases):
        for case in cases:
            _wait_for_carrier(machine, case.target)
            before = machine.output(case.look).strip()
            said = holding.apply(case.setting, case.target, case.level)
            seen = _look(machine, case, case.shows)
            back = holding.apply(case.setting, case.target, case.level, as_found=True)
            after = _look(machine, case, before)
            if not (said["ok"] and seen == case.shows and before != seen and back["ok"] and after == before):
                wrong.append((case, said, before, seen, back, after))
    assert not wrong


@pytest.mark.parametrize("name", ["dome", "hall"])
def test_what_a_card_cannot_do_is_refused_with_the_reason_and_nothing_is_changed(machines: Machines, name: str) -> None:
    wrong = []
    with _prepared(machines, name, REFUSED) as (machine, holding, cases):
        for case in cases:
            before = machine.run(case.look).stdout
            said = holding.apply(case.setting, case.target, case.level)
            refused = not said["ok"] and said["code"] == "cannot" and case.shows in said["why"]
            if not refused or machine.run(case.look).stdout != before:
                wrong.append((case, said))
    assert not wrong


def test_a_size_that_the_driver_rounds_is_seen_when_it_is_read_back(machines: Machines) -> None:
    with held(machines, "hall") as holding:
        holding.prepare(["eth2"], [{"setting": "receive-ring", "target": "eth2", "level": 500}])
        said = holding.apply("receive-ring", "eth2", 500)
        assert said["seen"] == {"rx": 512}  # vmxnet3 counts in steps of 32
        assert not said["ok"]
        assert "not 500" in said["why"]


def test_all_of_it_at_once_is_restored_and_compares_as_found(machines: Machines) -> None:
    at_once = [
        ("receive-ring", "eth1", 128),
        ("channels", "eth1", 1),
        ("interrupt-cores", "eth1", "0"),
        ("queueing", "eth1", "fq"),
        ("receive-ring", "eth2", 512),
        ("backlog", "", 5000),
        ("mtu", "eth1", 4000),
    ]
    look = "ethtool -g eth1; ethtool -l eth1; tc qdisc show; ethtool -g eth2; sysctl net.core; ip -o link"
    before = machines["hall"].output(look)
    with held(machines, "hall") as holding:
        holding.prepare(
            ["eth1", "eth2"],
            [{"setting": setting, "target": target, "level": level} for setting, target, level in at_once],
        )
        for setting, target, level in at_once:
            assert holding.apply(setting, target, level)["ok"], (setting, level)
        assert machines["hall"].output(look) != before
        compared = holding.restore()
        assert compared["touched"] == []
        assert compared["ok"]
    assert machines["hall"].output(look) == before
