"""Cells: every combination once, without what does not apply or is left out, and no place brought to two levels."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.planning import Cell, cells
from orchestrator.planning.cells import MOST_CELLS, ports_needed
from orchestrator.planning.traffic import DEFAULTS, TRAFFIC_FACTORS, LevelError
from tests.planning.planning_fakes import HEAD, load, plan, problem

TWO_LINKS = """\
plan: two-links
hosts:
  dome: {ssh: dome}
  hall: {ssh: hall}
  annex: {ssh: annex}
links:
  uplink: {under_test: dome eth1, far: hall eth1}
  branch: {under_test: dome eth2, far: annex eth1}
"""


def uses(cell: Cell) -> list[tuple[str, str, str, object]]:
    """(host, interface, setting, level) of a cell."""
    return [(use.host, use.selector, use.setting, use.level) for use in cell.settings]


def test_the_last_factor_varies_quickest_and_cells_are_numbered_from_one() -> None:
    found = cells(plan("factors: {mtu: [1500, 9000], direction: [transmit, receive]}\n"))
    assert [(cell.number, cell.levels["mtu"], cell.levels["direction"]) for cell in found] == [
        (1, 1500, "transmit"),
        (2, 1500, "receive"),
        (3, 9000, "transmit"),
        (4, 9000, "receive"),
    ]
    assert found[0].key == "mtu=1500 direction=transmit"


def test_a_setting_in_short_form_is_changed_at_both_ends() -> None:
    found = cells(plan("factors: {mtu: [9000]}\n"))
    assert uses(found[0]) == [("dome", "eth1", "mtu", 9000), ("hall", "eth1", "mtu", 9000)]


@pytest.mark.parametrize(
    ("at", "setting", "places"),
    [
        ("under_test", "mtu", [("dome", "eth1")]),
        ("far", "mtu", [("hall", "eth1")]),
        ("both", "mtu", [("dome", "eth1"), ("hall", "eth1")]),
        ("dome", "mtu", [("dome", "eth1")]),
        ("dome eth1", "mtu", [("dome", "eth1")]),
        ("dome eth0", "mtu", [("dome", "eth0")]),
        ("dome mac:02:00:5e:10:00:07", "mtu", [("dome", "mac:02:00:5e:10:00:07")]),
        ("under_test", "governor", [("dome", "")]),
        ("both", "governor", [("dome", ""), ("hall", "")]),
        ("hall", "governor", [("hall", "")]),
    ],
)
def test_a_setting_is_changed_where_the_plan_says(at: str, setting: str, places: list[tuple[str, str]]) -> None:
    level = {"mtu": 9000, "governor": "performance"}[setting]
    found = cells(plan(f"factors: {{x: {{setting: {setting}, at: '{at}', levels: [{level}]}}}}\n"))
    assert [(use.host, use.selector) for use in found[0].settings] == places


def test_a_factor_that_does_not_apply_is_empty_and_makes_no_duplicates() -> None:
    found = cells(
        plan("factors:\n  transport: [tcp, udp]\n  intended_load: {levels: [50%, 95%], only: {transport: udp}}\n")
    )
    assert [cell.levels for cell in found] == [
        {"transport": "tcp", "intended_load": None},
        {"transport": "udp", "intended_load": "50%"},
        {"transport": "udp", "intended_load": "95%"},
    ]


def test_a_traffic_factor_applies_only_to_its_own_transport_without_being_told() -> None:
    told = cells(
        plan(
            "factors:\n  transport: [tcp, udp]\n  intended_load: {levels: [50%], only: {transport: udp}}\n"
            "  congestion: {levels: [cubic, reno], only: {transport: tcp}}\n"
        )
    )
    untold = cells(plan("factors: {transport: [tcp, udp], intended_load: [50%], congestion: [cubic, reno]}\n"))
    assert told == untold
    assert len(told) == 3


def test_conditions_may_stand_before_what_they_depend_on_and_in_chains() -> None:
    found = cells(
        plan(
            "factors:\n  streams: {levels: [1, 2], only: {mtu: 9000}}\n"
            "  mtu: {levels: [1500, 9000], only: {direction: [transmit]}}\n"
            "  direction: [transmit, receive]\n"
        )
    )
    assert sorted(
        (str(cell.levels["direction"]), str(cell.levels["mtu"]), str(cell.levels["streams"])) for cell in found
    ) == [
        ("receive", "None", "None"),
        ("transmit", "1500", "None"),
        ("transmit", "9000", "1"),
        ("transmit", "9000", "2"),
    ]


def test_conditions_in_a_circle_are_refused() -> None:
    found = problem(
        "factors:\n  streams: {levels: [1], only: {mtu: 1500}}\n  mtu: {levels: [1500], only: {streams: 1}}\n"
    )
    assert (found.code, "circle" in found.message) == ("clash", True)


def test_what_is_left_out_is_no_cell() -> None:
    found = cells(
        plan(
            "factors: {mtu: [1500, 9000], direction: [transmit, receive]}\n"
            "leave_out: [{mtu: 9000, direction: receive}]\n"
        )
    )
    assert [(cell.levels["mtu"], cell.levels["direction"]) for cell in found] == [
        (1500, "transmit"),
        (1500, "receive"),
        (9000, "transmit"),
    ]


def test_a_condition_matches_a_level_however_it_is_spelled() -> None:
    found = cells(
        plan(
            "factors: {transport: [udp], intended_load: [0.5Gbit/s, 900Mbit/s]}\n"
            "leave_out: [{intended_load: 500Mbit/s}]\n"
        )
    )
    assert [cell.levels["intended_load"] for cell in found] == ["900Mbit/s"]


def test_the_number_one_is_not_the_word_true() -> None:
    found = cells(plan("factors: {x: {setting: interrupt-cores, levels: [1, true]}}\nleave_out: [{x: true}]\n"))
    assert [cell.levels["x"] for cell in found] == [1]
    assert found[0].levels["x"] is not True


@pytest.mark.parametrize(
    ("rest", "code", "line"),
    [
        ("factors: {mtu: [1500, 9000]}\nleave_out: [{mtu: 1501}]\n", "unknown-level", 8),
        ("factors: {mtu: [1500]}\nleave_out: [{mtu: 1500}]\n", "no-cells", 8),
        ("factors: {mtu: [1500]}\nleave_out: [{mtuu: 1500}]\n", "unknown-factor", 8),
        ("factors: {mtu: [1500]}\nleave_out: [{}]\n", "bad-value", 8),
        ("factors: {mtu: [1500]}\nleave_out: [{mtu: []}]\n", "bad-value", 8),
        (
            (
                "factors: {transport: [tcp, udp], intended_load: [50%]}\n"
                "leave_out: [{transport: tcp, intended_load: 50%}]\n"
            ),
            "never-applies",
            8,
        ),
        ("factors: {intended_load: [50%]}\n", "never-applies", 7),
        (
            "factors: {transport: [tcp, udp], streams: {levels: [1], only: {transport: udp, mtu: 1}}, mtu: [1500]}\n",
            "unknown-level",
            7,
        ),
        ("factors: {mtu: {levels: [1500], only: {mtu: 1500}}}\n", "clash", 7),
        ("factors: {mtu: {levels: [1500], only: {}}}\n", "bad-value", 7),
        ("factors: {mtu: []}\n", "wrong-type", 7),
        ("factors: {a: {levels: {}}}\n", "wrong-type", 7),
        ("factors: {mtu: [1500, 1500]}\n", "clash", 7),
        ("factors: {fill: {setting: mtu, levels: [1500]}}\n", "bad-name", 7),
        ("factors: {mtu: {setting: governor, levels: [powersave]}}\n", "clash", 7),
        ("factors: {a: {levels: {x: {mtu: 1}}}}\n", "bad-level", 7),
        ("factors: {a: {levels: {X: {}}}}\n", "bad-name", 7),
        ("factors: {a: {levels: {x: [mtu]}}}\n", "wrong-type", 7),
        ("factors: {a: {levels: {x: {streams: 1}}}}\n", "clash", 7),
        ("factors: {mtu: [1500], a: {levels: {x: {mtu: 1500}}}}\n", "clash", 7),
        ("hold: [{setting: mtu, at: dome, level: 1500}]\nfactors: {mtu: [1500]}\n", "clash", 8),
        ("hold: [{setting: governor, level: performance}, {setting: governor, level: powersave}]\n", "clash", 7),
        (
            "hold: [{setting: governor, level: performance}, {setting: governor, at: dome, level: powersave}]\n",
            "clash",
            7,
        ),
        ("factors: {streams: [100]}\n", "clash", 6),
    ],
)
def test_factors_that_make_no_sense_together_are_refused(rest: str, code: str, line: int) -> None:
    found = problem(rest)
    assert (found.code, found.line) == (code, line), found.render()


@pytest.mark.parametrize(
    "rest",
    [
        "hold: [{setting: mtu, at: router, level: 1500}]\n",
        "factors: {mtu: {at: router, levels: [1500]}}\n",
    ],
)
def test_an_interface_of_a_host_that_is_on_no_link_must_be_named(rest: str) -> None:
    head = HEAD.replace("links:", "  router: {ssh: router}\nlinks:")
    found = problem(rest, head)
    assert (found.code, "at: " in found.suggestion) == ("never-applies", True)
    named = cells(plan(rest.replace("at: router", "at: 'router eth1'"), head))
    assert uses(named[0]) == [("router", "eth1", "mtu", 1500)]


def test_a_bundle_brings_several_settings_at_once_and_its_empty_level_none() -> None:
    found = cells(
        plan(
            "factors:\n  tuning:\n    at: under_test\n"
            "    levels: {stock: {}, tuned: {mtu: 9000, governor: performance}}\n"
        )
    )
    assert [(cell.levels["tuning"], uses(cell)) for cell in found] == [
        ("stock", []),
        ("tuned", [("dome", "eth1", "mtu", 9000), ("dome", "", "governor", "performance")]),
    ]


def test_held_settings_come_first_in_every_cell() -> None:
    found = cells(plan("hold: [{setting: governor, at: hall, level: performance}]\nfactors: {mtu: [1500, 9000]}\n"))
    assert [uses(cell)[0] for cell in found] == [("hall", "", "governor", "performance")] * 2


def test_every_link_has_its_own_cells_and_settings() -> None:
    found = cells(load(TWO_LINKS + "factors: {mtu: [9000]}\n"))
    assert [(cell.link, cell.key, [use[:2] for use in uses(cell)]) for cell in found] == [
        ("uplink", "link=uplink mtu=9000", [("dome", "eth1"), ("hall", "eth1")]),
        ("branch", "link=branch mtu=9000", [("dome", "eth2"), ("annex", "eth1")]),
    ]


def test_a_factor_of_a_host_does_not_apply_to_a_link_that_the_host_is_not_on() -> None:
    found = cells(
        load(TWO_LINKS + "factors: {clock: {setting: governor, at: annex, levels: [powersave, performance]}}\n")
    )
    assert [(cell.link, cell.levels["clock"]) for cell in found] == [
        ("uplink", None),
        ("branch", "powersave"),
        ("branch", "performance"),
    ]


def test_what_is_held_is_held_for_all_links() -> None:
    found = cells(
        load(TWO_LINKS + "hold: [{setting: mtu, level: 1500}, {setting: governor, at: annex, level: powersave}]\n")
    )
    assert [len(cell.settings) for cell in found] == [5, 5]


def test_a_cell_has_every_traffic_key() -> None:
    levels = {
        "transport": "[udp]",
        "direction": "[receive]",
        "streams": "[4]",
        "ip": "[6]",
        "intended_load": "[90%]",
        "datagram_size": "[1KiB]",
        "socket_buffer": "[4MiB]",
        "dscp": "[ef]",
        "sender_core": "[3]",
        "receiver_core": "[0]",
        "burst": "[8]",
        "send_with": "[batch]",
        "receive_with": "[single]",
    }
    found = cells(plan("factors:\n" + "".join(f"  {name}: {level}\n" for name, level in levels.items())))
    assert found[0].traffic == {
        **DEFAULTS,
        "transport": "udp",
        "direction": "receive",
        "streams": 4,
        "ip": 6,
        "intended_load": {"link_share": 0.9},
        "datagram_bytes": 1024,
        "socket_buffer_bytes": 4_194_304,
        "dscp": 46,
        "sender_core": 3,
        "receiver_core": 0,
        "burst_datagrams": 8,
        "send_path": "batch",
        "receive_path": "single",
    }
    assert found[0].levels["datagram_size"] == "1KiB"


@pytest.mark.parametrize(
    ("level", "meant"),
    [
        ("50Mbit/s", {"bit_s": 50_000_000}),
        ("100kframe/s", {"frames_s": 100_000}),
        ("90%", {"link_share": 0.9}),
        ("120%", {"link_share": 1.2}),
    ],
)
def test_an_intended_load_counts_payload_frames_or_a_share(level: str, meant: dict[str, float]) -> None:
    found = cells(plan(f"factors: {{transport: [udp], intended_load: ['{level}']}}\n"))
    assert found[0].traffic["intended_load"] == meant


def test_every_traffic_factor_fills_a_key_of_its_own() -> None:
    keys = [factor.key for factor in TRAFFIC_FACTORS.values()]
    assert sorted(keys) == sorted({*DEFAULTS, "together"})  # which is no key of a flow, but of a cell on several links


def test_no_two_tcp_only_and_udp_only_factors_meet() -> None:
    found = cells(plan("factors: {transport: [tcp, udp], burst: [1, 8], pacing: [100Mbit/s], zero_copy: [true]}\n"))
    for cell in found:
        assert (cell.levels["burst"] is None) is (cell.levels["transport"] == "tcp")
        assert (cell.levels["pacing"] is None) is (cell.levels["transport"] == "udp")


def test_too_many_cells_are_refused_with_the_arithmetic() -> None:
    streams = list(range(1, 12))
    found = problem(
        f"factors: {{streams: {streams}, sender_core: {list(range(10))}, receiver_core: {list(range(10))}}}\n"
    )
    assert found.code == "too-many-cells"
    assert "11 streams x 10 sender_core x 10 receiver_core = 1100 combinations" in found.message
    found = problem(f"factors: {{streams: {list(range(1, 30))}, sender_core: {list(range(1000))}}}\n")
    assert "29 streams x 1000 sender_core = 29000 combinations" in found.message


def test_combinations_that_are_left_out_do_not_count_as_cells() -> None:
    cores = list(range(100))
    text = f"factors: {{streams: {list(range(1, 12))}, sender_core: {cores}}}\nleave_out: [{{streams: [1, 2]}}]\n"
    assert len(cells(plan(text))) == 900 < MOST_CELLS


def test_too_many_trials_are_refused() -> None:
    cores = list(range(200))
    assert problem(f"factors: {{sender_core: {cores}}}\ntrial: {{replicates: 1000}}\n").code == "too-many-cells"


def test_an_address_of_one_family_excludes_the_other() -> None:
    head = HEAD.replace("isolated: true", "address: {under_test: 10.0.0.1, far: 10.0.0.2}")
    assert problem("factors: {ip: [4, 6]}\n", head).code == "clash"
    assert len(cells(plan("factors: {ip: [4]}\n", head))) == 1


def test_a_link_has_ports_enough_for_its_streams() -> None:
    assert ports_needed({"direction": "bidirectional", "streams": 31}) == 64
    assert len(cells(plan("factors: {streams: [31], direction: [bidirectional]}\n"))) == 1


LEVELS = {"mtu": [1500, 4000, 9000], "direction": ["transmit", "receive"], "streams": [1, 2, 4], "dscp": [0, 46]}


@given(
    sizes=st.fixed_dictionaries({name: st.integers(0, len(levels)) for name, levels in LEVELS.items()}),
    out=st.lists(
        st.fixed_dictionaries({"mtu": st.sampled_from(LEVELS["mtu"]), "streams": st.sampled_from(LEVELS["streams"])}),
        max_size=3,
    ),
)
@settings(max_examples=60)
def test_cells_are_the_product_less_what_is_left_out(sizes: dict[str, int], out: list[dict[str, object]]) -> None:
    chosen = {name: LEVELS[name][:count] for name, count in sizes.items() if count}
    wanted = [dict(zip(chosen, levels, strict=True)) for levels in product(*chosen.values())]
    left = [levels for levels in wanted if not any(condition.items() <= levels.items() for condition in out)]
    usable = [condition for condition in out if any(condition.items() <= levels.items() for levels in wanted)]
    if not left or not chosen:
        return
    text = "factors:\n" + "".join(f"  {name}: {levels}\n" for name, levels in chosen.items())
    if usable:
        text += "leave_out:\n" + "".join(f"  - {{mtu: {one['mtu']}, streams: {one['streams']}}}\n" for one in usable)
    found = cells(plan(text))
    assert [dict(cell.levels) for cell in found] == left
    assert [cell.number for cell in found] == list(range(1, len(left) + 1))


@pytest.mark.parametrize(
    ("factor", "bad", "good"),
    [
        ("datagram_size", "15B", "16B"),  # a number and a time are in front of every datagram's payload
        ("mss", "32768B", "32767B"),
    ],
)  # the kernel takes no larger one (MAX_TCP_WINDOW in its tcp.h)
def test_a_size_that_the_traffic_pair_or_the_kernel_refuses_is_refused_by_the_plan(factor, bad, good) -> None:
    TRAFFIC_FACTORS[factor].read(good)
    with pytest.raises(LevelError):
        TRAFFIC_FACTORS[factor].read(bad)
