"""What `check` says of a plan: what is done to whom, how long it takes, how much is sent, and what to be careful of."""

from __future__ import annotations

import json

import pytest

from orchestrator.planning.cautions import own_address, unlimited_udp_problem
from orchestrator.planning.changes import HostChanges
from orchestrator.planning.estimate import COSTLY_S, DRAIN_S, HANDLING_S
from orchestrator.planning.outline import Outline, bytes_text, duration_text, outline, render
from tests.planning.planning_fakes import CATALOGUE, HEAD, load, plan

SHARED = HEAD.replace(", isolated: true", "")
COMMAND = (
    'factors:\n  {name}: {{setting: command, at: dome, read: [{program}, get], write: [{program}, "{{level}}"],'
    " levels: [a, b]}}\n"
)


def of(rest: str, head: str = HEAD) -> Outline:
    """The outline of a plan of the usual hosts and link."""
    return outline(plan(rest, head), CATALOGUE)


def host(found: Outline, name: str) -> HostChanges:
    """What is done to one host."""
    return next(one for one in found.hosts if one.host == name)


def caution_codes(rest: str, head: str = HEAD) -> set[str]:
    """The cautions of a plan."""
    return {caution.code for caution in of(rest, head).cautions}


def test_each_host_is_told_what_is_changed_there_with_which_privilege() -> None:
    found = of("hold: [{setting: governor, at: hall, level: performance}]\nfactors: {mtu: [1500, 9000]}\n")
    assert [(one.setting, one.place, one.levels, one.privilege) for one in host(found, "dome").settings] == [
        ("mtu", "eth1", (1500, 9000), "root")
    ]
    assert [(one.setting, one.place, one.levels) for one in host(found, "hall").settings] == [
        ("governor", "", ("performance",)),
        ("mtu", "eth1", (1500, 9000)),
    ]


def test_how_often_a_setting_is_written_is_counted_along_the_schedule() -> None:
    found = of("factors: {mtu: [1500, 9000], direction: [transmit, receive]}\norder: {shuffle: false}\n")
    assert host(found, "dome").settings[0].writes == 2 * 5 + 1  # two levels a block, and back
    held = of("hold: [{setting: governor, at: dome, level: performance}]\n")
    assert host(held, "dome").settings[0].writes == 2  # once there, once back


def test_only_the_second_end_listens() -> None:
    found = of("")
    assert (host(found, "dome").listens, host(found, "hall").listens) == ((), ("20000-20063 (uplink)",))


@pytest.mark.parametrize(
    ("rest", "first", "second"),
    [
        ("factors: {direction: [transmit]}", 5 * 12 * 312_500_000, 0),
        ("factors: {direction: [receive]}", 0, 5 * 12 * 312_500_000),
        ("factors: {direction: [bidirectional]}", 5 * 12 * 312_500_000, 5 * 12 * 312_500_000),
        ("factors: {transport: [udp], intended_load: [50%]}", 5 * 12 * 156_250_000, 0),
        ("factors: {transport: [udp], intended_load: [80Mbit/s]}", 5 * 12 * 10_000_000, 0),
        ("factors: {transport: [udp], intended_load: [1kframe/s], datagram_size: [1000B]}", 5 * 12 * 1_000_000, 0),
    ],
)
def test_the_bytes_are_bounded_by_rate_and_time(rest: str, first: int, second: int) -> None:
    found = of(rest + "\n")
    dome, hall = host(found, "dome"), host(found, "hall")
    assert (dome.sends_bytes_at_most, hall.sends_bytes_at_most) == (first, second)
    assert (hall.receives_bytes_at_most, dome.receives_bytes_at_most) == (first, second)
    assert dome.traffic_s == 5 * 12


def test_without_a_rate_the_bytes_have_no_bound_and_the_page_says_so() -> None:
    found = of("", HEAD.replace("rate: 2.5Gbit/s, ", ""))
    assert host(found, "dome").sends_bytes_at_most is None
    assert "as much as the link carries" in render(found)


def test_the_estimate_is_the_sum_of_its_parts() -> None:
    found = of("factors: {mtu: [1500, 9000], transport: [tcp, udp], intended_load: [50%]}\n").estimate
    assert found.traffic_s == 4 * 5 * 12
    assert found.quiet_s == 4 * 5 * 1 + 2 * 5 * DRAIN_S
    assert found.handling_s == 4 * 5 * HANDLING_S + 2 * 5 * COSTLY_S
    assert found.total_s > found.traffic_s + found.quiet_s + found.handling_s + found.rehearsal_s


def test_the_text_names_cells_trials_hosts_and_what_becomes_of_them() -> None:
    text = render(of("factors: {mtu: [1500, 9000], direction: [transmit, receive]}\norder: {seed: 7}\n"))
    for said in (
        "Cells   4 from 2 mtu x 2 direction",
        "Trials  20 = 4 cells x 5 replicates, shuffled with seed 7",
        "mtu of eth1: 1500, 9000 bytes (needs root",
        "listens for its peer on ports 20000-20063 (uplink)",
        "ssh dome.obs.example",
        "for 5min, during a trial of any length too",
        "block 5, trials",
    ):
        assert said in text
    assert max(map(len, text.splitlines())) <= 140


def test_an_open_number_of_replicates_is_said_with_its_bounds() -> None:
    precise = of("factors: {mtu: [1500, 9000]}\ntrial: {precision: 2%, replicates: {min: 3, max: 8}}\n")
    text = render(precise)
    assert "Trials  6 = 2 cells x 3 replicates" in text
    assert "until its interval is within 2% of its mean; at most 8 replicates" in text
    assert host(precise, "dome").sends_bytes_at_most == 2 * 8 * 12 * 312_500_000
    spent = render(of("factors: {mtu: [1500, 9000]}\nbudget: 30min\n"))
    assert "Trials  2 = 2 cells x 1 replicate," in spent
    assert "until 30 min of trials are spent; at most 20 replicates" in spent


def test_a_long_schedule_is_shortened_unless_all_is_asked_for() -> None:
    found = of("factors: {mtu: [1500, 4000, 9000]}\ntrial: {replicates: 40}\n")
    assert "more whole plots: --all shows them" in render(found)
    assert render(found, everything=True).count("  block ") == 120


def test_the_data_for_programs_is_json_and_holds_every_cell_and_trial() -> None:
    data = json.loads(json.dumps(of("factors: {mtu: [1500, 9000]}\n").as_dict()))
    assert len(data["cells"]) == 2
    assert len(data["trials"]) == 10
    assert data["hosts"][0]["settings"][0]["setting"] == "mtu"
    assert data["estimate"]["total_s"] > 0


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0 s"), (89, "89 s"), (100, "2 min"), (3600, "60 min"), (7300, "2 h 2 min")]
)
def test_a_duration_is_said_as_a_person_would(seconds: float, text: str) -> None:
    assert duration_text(seconds) == text


@pytest.mark.parametrize(
    ("count", "text"), [(0, "0 B"), (999, "999 B"), (12_500_000_000, "12.5 GB"), (5e15, "5000 TB")]
)
def test_bytes_are_said_as_a_person_would(count: float, text: str) -> None:
    assert bytes_text(count) == text


def test_a_link_that_is_not_marked_isolated_carries_the_caution_of_rfc_6815() -> None:
    assert "shared-link" not in caution_codes("")
    assert "shared-link" in caution_codes("", SHARED)


@pytest.mark.parametrize(
    ("name", "program", "code"),
    [
        ("clock", "set-clock", "clock"),
        ("cpu", "cpu-freq", "clock"),
        ("core", "set-voltage", "voltage"),
        ("core", "core-volts", "voltage"),
        ("core", "grub-set-default", "boot"),
        ("core", "/boot/choose", "boot"),
        ("plug", "relay-board", "mains"),
        ("box", "power-cycle", "mains"),
        ("box", "outlet", "mains"),
    ],
)
def test_commands_that_touch_clocks_voltages_or_mains_carry_their_caution(name: str, program: str, code: str) -> None:
    codes = caution_codes(COMMAND.format(name=name, program=program))
    assert {code, "own-command"} <= codes


def test_a_host_whose_power_may_be_switched_carries_the_caution_of_the_mains_and_what_is_run() -> None:
    head = HEAD.replace("{ssh: dome.obs.example}", "{ssh: dome.obs.example, power_cycle: {command: [plug, '1 off']}}")
    (caution,) = (one for one in of("", head).cautions if one.code == "power-cycle")
    assert "`plug '1 off'`, at most once in a trial and twice in a run" in caution.text
    assert "leave mains work to licensed people" in caution.text
    assert "power-cycle" not in caution_codes("")


def test_an_ordinary_command_is_not_taken_for_a_dangerous_one() -> None:
    assert caution_codes(COMMAND.format(name="led", program="set-led")) == {"own-command"}


def test_changes_that_drop_the_link_are_said() -> None:
    assert "control-path" in caution_codes("factors: {mtu: [1500, 9000]}\n")
    assert "control-path" not in caution_codes("factors: {clock: {setting: governor, levels: [powersave]}}\n")


def test_ipv6_below_its_min_mtu_is_said_beforehand() -> None:
    """RFC 8200 s5: 1280 bytes."""
    assert "ipv6-mtu" in caution_codes("factors: {mtu: [1279], ip: [6]}\n")
    assert "ipv6-mtu" not in caution_codes("factors: {mtu: [1280], ip: [6]}\n")
    assert "ipv6-mtu" not in caution_codes("factors: {mtu: [1279], ip: [4]}\n")


def test_datagrams_that_do_not_fit_the_mtu_are_said_beforehand() -> None:
    sized = "factors: {{mtu: [1500], transport: [udp], intended_load: [10%], datagram_size: [{}B]}}\n"
    assert "fragments" in caution_codes(sized.format(1473))
    assert "fragments" not in caution_codes(sized.format(1472))


OWN = [
    "10.1.2.3",
    "172.31.255.255",
    "192.168.0.1",
    "169.254.1.1",
    "198.18.0.1",
    "198.19.255.254",
    "127.0.0.1",
    "fd00::1",
    "fe80::1",
    "fe80::1%eth1",
    "2001:2::1",
    "2001:2:0:ffff::1",
    "::1",
    "::ffff:10.0.0.1",
]
STRANGERS = [
    "8.8.4.4",
    "172.32.0.1",
    "192.169.0.1",
    "198.20.0.1",
    "198.17.255.255",
    "100.64.0.1",
    "2001:2:1::1",
    "2001:db8::1",
    "::ffff:8.8.4.4",
    "203.0.113.1",
    "",
    "dome",
]


@pytest.mark.parametrize("address", OWN)
def test_private_link_local_and_benchmarking_addresses_lead_to_no_stranger(address: str) -> None:
    assert own_address(address)
    assert unlimited_udp_problem(plan("factors: {transport: [udp]}\n", SHARED), "uplink", [address, "10.0.0.1"]) == ""


@pytest.mark.parametrize("address", STRANGERS)
def test_unlimited_udp_to_anybody_else_is_refused_unless_the_link_is_isolated(address: str) -> None:
    unlimited = "factors: {transport: [tcp, udp]}\n"
    assert not own_address(address)
    said = unlimited_udp_problem(plan(unlimited, SHARED), "uplink", ["10.0.0.1", address])
    assert "isolated: true" in said
    assert "uplink" in said
    assert unlimited_udp_problem(plan(unlimited), "uplink", ["10.0.0.1", address]) == ""
    assert unlimited_udp_problem(plan("factors: {transport: [tcp]}\n", SHARED), "uplink", [address]) == ""
    limited = "factors: {transport: [tcp, udp], intended_load: [50%]}\n"
    assert unlimited_udp_problem(plan(limited, SHARED), "uplink", [address]) == ""


def test_check_says_that_run_will_refuse() -> None:
    head = SHARED.replace("rate: 2.5Gbit/s", "address: {under_test: 8.8.4.4, far: 8.8.8.8}")
    text = render(of("factors: {transport: [udp]}\n", head))
    assert "`run` will refuse" in text
    assert "unlimited-udp" in caution_codes("factors: {transport: [udp]}\n", SHARED)


def test_a_plan_of_several_links_shows_each() -> None:
    text = render(
        outline(
            load(
                "plan: two\nhosts: {a: {ssh: a}, b: {ssh: b}, c: {ssh: c}}\nlinks:\n"
                "  one: {under_test: a eth1, far: b eth1}\n  two: {under_test: a eth2, far: c eth1}\n"
            ),
            CATALOGUE,
        )
    )
    assert "2 links" in text
    assert "  cell  link" in text
