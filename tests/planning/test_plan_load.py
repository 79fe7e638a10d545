"""Plans: the whole grammar is understood, and everything that is wrong is said in one go, each at its place."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from pydantic import ValidationError

from orchestrator import planning
from orchestrator.planning import PlanProblems, parse_binds, unused_binds
from orchestrator.planning.plan import PowerCycle
from tests.planning.planning_fakes import CATALOGUE, HEAD, load, plan, problem, problems

# Every key of a plan at once.
WHOLE = """\
# yaml-language-server: $schema=plan.schema.json
plan: dome-to-hall
purpose: Which frame size and clock policy fill the 2.5 Gb/s uplink from the dome computer?
bench: {card: "", cable: "", switch: "", power: "", cooling: "", room_c: 21}
hosts:
  dome:  {ssh: dome.obs.example, privilege: sudo}
  hall: {ssh: $hall, user: bench}
links:
  uplink:
    under_test: dome eth1
    far: {host: hall, mac: "02:00:5e:10:00:07"}
    rate: 2.5Gbit/s
    address: auto
    ports: 20000-20063
    isolated: true
hold:
  - {setting: governor, at: hall, level: performance}
factors:
  mtu: [1500, 9000]
  clock: {setting: governor, at: dome, levels: [powersave, performance]}
  tuning: {levels: {stock: {}, spread: {interrupt-cores: spread, receive-ring: 4096}}}
  transport: [tcp, udp]
  intended_load: {levels: [50%, 95%], only: {transport: udp}}
  direction: [transmit, receive, bidirectional]
leave_out:
  - {transport: udp, direction: bidirectional}
trial: {length: 10s, warmup: 2s, settle: 1s, replicates: 5}
order: {shuffle: true, seed: 7}
lease: 5min
patience: 2h
changed_outside: reapply
accept: [impossible]
threshold: 3%
"""

FIVE_MISTAKES = """\
plan: dome-to-hall
hosts:
  dome: {ssh: dome.obs.example, privlege: sudo}
  hall: {ssh: hall.obs.example}
links:
  uplink:
    under_test: dome eth1
    far: hal eth1
    rate: 2500
factors:
  mtuu: [1500, 9000]
  direction: [transmit, both]
"""


def test_the_whole_grammar_is_understood() -> None:
    found = load(WHOLE, hall="hall.obs.example")
    assert found.plan == "dome-to-hall"
    assert found.hosts["hall"].ssh == "hall.obs.example"
    assert found.hosts["hall"].user == "bench"
    assert [str(end) for end in found.links["uplink"].ends] == ["dome eth1", "hall mac:02:00:5e:10:00:07"]
    assert found.links["uplink"].rate_bit_s == 2_500_000_000
    assert found.links["uplink"].ports == tuple(range(20000, 20064))
    assert found.links["uplink"].isolated is True
    assert [(change.setting, str(change.where), change.level) for change in found.hold] == [
        ("governor", "hall", "performance")
    ]
    assert list(found.factors) == ["mtu", "clock", "tuning", "transport", "intended_load", "direction"]
    assert (found.trial.length_s, found.trial.warmup_s, found.trial.settle_s, found.trial.replicates) == (10, 2, 1, 5)
    assert (found.order.shuffle, found.order.seed) == (True, 7)
    assert (found.lease_s, found.patience_s, found.threshold_ratio) == (300, 7200, 0.03)
    assert (found.changed_outside, found.accept) == ("reapply", ("impossible",))
    assert found.bench.room_c == 21
    assert found.binds == {"hall": "hall.obs.example"}


def test_a_plan_cannot_be_changed_afterwards() -> None:
    found = plan("factors: {mtu: [1500]}\n")
    with pytest.raises(dataclasses.FrozenInstanceError):
        found.plan = "other"  # type: ignore[misc] # that it is refused is the point
    with pytest.raises(ValidationError):
        found.trial.length_s = 1.0  # type: ignore[misc] # as above


def test_five_mistakes_are_five_located_problems() -> None:
    found = problems(FIVE_MISTAKES)
    assert [(one.line, one.column, one.code) for one in found] == [
        (3, 33, "unknown-key"),
        (8, 10, "unknown-host"),
        (9, 11, "unit-missing"),
        (11, 3, "unknown-factor"),
        (12, 25, "bad-level"),
    ]
    assert [one.suggestion for one in found] == [
        "did you mean 'privilege'?",
        "did you mean 'hall'?",
        "write 2500Mbit/s or 2500Gbit/s",
        "did you mean 'mtu'?",
        "did you mean 'bidirectional'?",
    ]


def test_a_problem_shows_the_line_with_a_caret_under_what_is_wrong() -> None:
    with pytest.raises(PlanProblems) as caught:
        planning.load(FIVE_MISTAKES, name="night.yaml", catalogue=CATALOGUE)
    assert caught.value.render().split("\n\n")[0] == (
        "night.yaml:3:33: unknown key 'privlege' in host 'dome' [unknown-key]\n"
        "    3 |   dome: {ssh: dome.obs.example, privlege: sudo}\n"
        "      |                                 ^^^^^^^^\n"
        "        did you mean 'privilege'?"
    )
    assert caught.value.message.startswith("5 problems in the plan; no host was contacted\n")
    assert caught.value.whose == "user"


def test_a_wrong_key_does_not_hide_what_else_is_wrong_beside_it() -> None:
    text = HEAD + (
        "hold: [{setting: governor, at: hal, level: fast, note: x}]\n"
        "factors:\n  mtu: {levels: [1], wen: {transport: udp}, only: {transprt: udp}}\n"
    )
    assert [(one.line, one.code) for one in problems(text)] == [
        (7, "unknown-host"),
        (7, "bad-level"),
        (7, "unknown-key"),
        (9, "bad-level"),
        (9, "unknown-key"),
        (9, "unknown-factor"),
    ]


def test_twenty_problems_are_shown_and_the_others_counted() -> None:
    with pytest.raises(PlanProblems) as caught:
        plan("factors:\n" + "".join(f"  f{number}: [1]\n" for number in range(33)))
    assert len(caught.value.problems) == 33
    assert caught.value.render().count("[unknown-factor]") == 20
    assert caught.value.render().endswith("... and 13 more")


def test_a_problem_in_one_host_does_not_hide_what_refers_to_it() -> None:
    text = HEAD.replace("{ssh: dome.obs.example}", "{ssh: dome.obs.example, port: 70000}") + (
        "factors:\n  clock: {setting: governor, at: dome, levels: [fast]}\n  mtu: [1500, 1500]\n"
    )
    assert [one.code for one in problems(text)] == ["bad-value", "bad-level", "clash"]


@pytest.mark.parametrize(
    ("rest", "code", "column", "suggestion"),
    [
        ("factors: {mtu: 9000}", "wrong-type", 16, "write [9000] for one level"),
        (
            "factors: {net.ipv4.tcp_sack: [0, 1]}",
            "bad-name",
            11,
            "give it a name of its own: tcp_sack: {setting: net.ipv4.tcp_sack, levels: [...]}",
        ),
        (
            "factors: {hold-1: {setting: governor, levels: [performance]}}\nhold: [{setting: mtu, level: 9000}]",
            "bad-name",
            11,
            "give the factor another name",
        ),
        ("factors: {flows: [1, 4]}", "unknown-factor", 11, "did you mean 'streams'?"),
        ("factors: {dirction: [transmit]}", "unknown-factor", 11, "did you mean 'direction'?"),
        ("factors: {direction: [tx]}", "bad-level", 23, "did you mean 'transmit'?"),
        ("factors: {transport: [TCP]}", "bad-level", 23, "did you mean tcp?"),
        ("factors: {streams: ['4']}", "bad-level", 21, "write 4 without quotes"),
        ("factors: {ip: ['4']}", "bad-level", 16, "write 4 without quotes"),
        (
            "factors: {clock: {setting: governor, at: dom, levels: [powersave]}}",
            "unknown-host",
            42,
            "did you mean 'dome'?",
        ),
        ("factors: {clock: {setting: governor, at: dome eth1, levels: [powersave]}}", "clash", 42, "write at: dome"),
        ("factors: {clock: {setting: governr, levels: [powersave]}}", "unknown-factor", 28, "did you mean 'governor'?"),
        ("factors: {mtu: [1500], clock: {levels: [1]}}", "unknown-factor", 24, "did you mean 'governor'?"),
        (
            "factors: {clock: {setting: governor, levels: [perfromance]}}",
            "bad-level",
            47,
            "did you mean 'performance'?",
        ),
        (
            "factors: {mtu: [1500, 9000], transport: [tcp, udp], streams: {levels: [1], only: {transprt: udp}}}",
            "unknown-factor",
            83,
            "did you mean 'transport'?",
        ),
        ("factors: {direction: {levels: [transmit], at: dome}}", "clash", 43, "leave at out"),
        ("factors: {mtu: {levels: [1500], read: [cat, x]}}", "clash", 33, "leave read out"),
        ("trial: {duration: 10s}", "unknown-key", 9, "did you mean 'length'?"),
        ("trial: {length: 10}", "unit-missing", 17, "write 10s or 10min"),
        ("trial: {replicates: five}", "wrong-type", 21, "write replicates: 5"),
        ("order: {shuffle: yes}", "wrong-type", 18, "write true"),
        ("order: {shuffle: True}", "wrong-type", 18, "write true"),
        ("order: {seed: '7'}", "wrong-type", 15, "write 7 without quotes"),
        ("bench: {card: 10}", "wrong-type", 15, 'in quotes it is text: "10"'),
        ("exclude: []", "unknown-key", 1, "did you mean 'leave_out'?"),
        ("accept: [imposible]", "bad-value", 10, "did you mean 'impossible'?"),
        ("accept: impossible", "wrong-type", 9, "write [...], or a line with - for each entry"),
        ("changed_outside: restore", "bad-value", 18, "did you mean 'reapply'?"),
        (
            "hold: [{setting: transport, level: tcp}]",
            "unknown-factor",
            18,
            "transport is a traffic factor: write it under factors as transport: [...]",
        ),
        ("isolated: true", "unknown-key", 1, "'isolated' belongs to a link"),
    ],
)
def test_a_mistake_is_met_with_what_was_probably_meant(rest: str, code: str, column: int, suggestion: str) -> None:
    found = problem(rest + "\n")
    assert (found.code, found.line, found.column, found.suggestion) == (code, 7, column, suggestion)


@pytest.mark.parametrize(
    ("link", "code", "suggestion"),
    [
        (
            "{under_test: dome eth1, far: hall}",
            "bad-value",
            'write hall eth1, or {host: hall, mac: "02:00:5e:10:00:07"}',
        ),
        ("{under_test: dome:eth1, far: hall eth1}", "bad-value", "write dome eth1"),
        ("{under_test: dome eth1, far: {host: hall}}", "bad-value", "give exactly one of interface, mac, bus, driver"),
        (
            "{under_test: dome eth1, far: {host: hall, mac: x, bus: y}}",
            "bad-value",
            "give exactly one of interface, mac, bus, driver",
        ),
        ("{under_test: dome eth1, far: {host: hall, mac: 02:00:5e:10:00}}", "bad-value", ""),
        ("{under_test: dome eth1, far: {hst: hall, mac: 02:00:5e:10:00:07}}", "unknown-key", "did you mean 'host'?"),
        ("{under_test: dome eth1, far: 'hall a/b'}", "bad-value", ""),
        ("{under_test: dome eth1, far: 'hall -x'}", "bad-value", ""),
        ("{under_test: dome eth1, far: dome eth2}", "clash", "a link runs between two hosts"),
        ("{under_test: dome eth1, far: hall eth1, rate: 2.5Gb/s}", "unit-unknown", "write 2.5Gbit/s or 2.5GB/s"),
        ("{under_test: dome eth1, far: hall eth1, rate: 1bit/s}", "bad-value", ""),
        (
            "{under_test: dome eth1, far: hall eth1, address: 10.0.0.1}",
            "bad-value",
            "write auto, or {under_test: 198.18.0.1, far: 198.18.0.2}",
        ),
        (
            "{under_test: dome eth1, far: hall eth1, address: {under_test: 10.0.0.1/24, far: 10.0.0.2}}",
            "bad-value",
            "write 10.0.0.1 without its prefix length",
        ),
        ("{under_test: dome eth1, far: hall eth1, address: {under_test: 10.0.0.1, far: '2001:2::1'}}", "clash", ""),
        ("{under_test: dome eth1, far: hall eth1, address: {under_test: 10.0.0.1, far: 10.0.0.1}}", "clash", ""),
        ("{under_test: dome eth1, far: hall eth1, address: {under_test: 224.0.0.1, far: 10.0.0.1}}", "bad-value", ""),
        ("{under_test: dome eth1, far: hall eth1, ports: 20063-20000}", "bad-value", "write 20000-20063"),
        ("{under_test: dome eth1, far: hall eth1, ports: 80-90}", "bad-value", ""),
        ("{under_test: dome eth1, far: hall eth1, ports: true}", "bad-value", "write 20000-20063"),
        ("{under_test: dome eth1, far: hall eth1, ports: 20000-60000}", "bad-value", ""),
        ("{under_test: dome eth1, far: hall eth1, ports: 20000}", "clash", "write ports: 20000-20002"),
        ("{under_test: dome eth1, far: hall eth1, isolated: on}", "wrong-type", "write true"),
        ("{under_test: dome eth1, far: hall eth1, speed: 1Gbit/s}", "unknown-key", "did you mean 'rate'?"),
    ],
)
def test_a_mistake_in_a_link_is_met_with_what_was_probably_meant(link: str, code: str, suggestion: str) -> None:
    head = HEAD[: HEAD.index("  uplink:")] + f"  uplink: {link}\n"
    found = problems(head)
    assert [(one.code, one.suggestion, one.line) for one in found if one.code != "never-applies"] == [
        (code, suggestion, 6)
    ]


@pytest.mark.parametrize(
    ("host", "code", "suggestion"),
    [
        ("{ssh: bench@dome}", "bad-value", "write ssh: dome and user: bench"),
        ("{ssh: dome:22}", "bad-value", "write ssh: dome and port: 22"),
        ("{ssh: -oProxyCommand=x}", "bad-value", ""),
        ("{ssh: 'dome; ls'}", "bad-value", ""),
        ("{}", "missing-key", "such as ssh: dome.obs.example"),
        ("{hostname: dome}", "unknown-key", "did you mean 'ssh'?"),
        ("{ssh: dome, privilege: suod}", "bad-value", "did you mean 'sudo'?"),
        ("{ssh: dome, port: 0}", "bad-value", ""),
        ("{ssh: dome, port: 22.5}", "wrong-type", ""),
        (
            "{ssh: dome, user: -x}",
            "bad-value",
            "a login name has no spaces, ':', '/' or '@', and does not begin with '-'",
        ),
        (
            "{ssh: dome, host_key: abc}",
            "bad-value",
            "a public key as the host has it in /etc/ssh/ssh_host_ed25519_key.pub: ssh-ed25519 AAAA...",
        ),
        ("dome.obs.example", "wrong-type", "write dome: {ssh: dome.obs.example}"),
        ("[]", "wrong-type", ""),
    ],
)
def test_a_mistake_in_a_host_is_met_with_what_was_probably_meant(host: str, code: str, suggestion: str) -> None:
    found = problems(HEAD.replace("{ssh: dome.obs.example}", host))
    assert (code, suggestion, 3) in [(one.code, one.suggestion, one.line) for one in found]
    assert len(found) <= 2  # a host without ssh: has also a key that it does not know


@pytest.mark.parametrize("mark", ["interface: eth1", "mac: 02:00:5E:10:00:07", "bus: 0000:03:00.0", "driver: veth"])
def test_an_end_is_named_by_any_of_four_marks_without_quotes(mark: str) -> None:
    found = load(HEAD.replace("hall eth1", f"{{host: hall, {mark}}}"))
    kind, value = mark.split(": ", 1)
    assert found.links["uplink"].far.selector == (value if kind == "interface" else f"{kind}:{value.lower()}")


def test_the_bound_value_of_a_name_stands_where_the_name_stood() -> None:
    text = HEAD.replace("ssh: dome.obs.example", 'ssh: $board, user: "${who}x"').replace("2.5Gbit/s", "$rate") + (
        "factors: {mtu: [1500, $big]}\npurpose: costs 5$$ and $who\n"
    )
    found = load(text, board="spare", big="9000", rate="1Gbit/s", who="jo")
    assert found.hosts["dome"].ssh == "spare"
    assert found.hosts["dome"].user == "jox"
    assert found.purpose == "costs 5$ and jo"
    assert found.links["uplink"].rate_bit_s == 10**9
    assert [level.shown for level in found.factors["mtu"].levels] == [1500, 9000]


def test_a_name_that_nothing_is_bound_to_is_a_problem_at_its_place() -> None:
    found = problems(HEAD.replace("dome.obs.example", "$board"), bord="x")
    assert [(one.code, one.line, one.column) for one in found] == [("unbound", 3, 15)]
    assert "bord" in found[0].suggestion


def test_a_bound_value_is_judged_as_if_it_stood_in_the_file() -> None:
    assert [one.code for one in problems(HEAD + "trial: {length: $time}\n", time="10")] == ["unit-missing"]
    assert [one.code for one in problems(HEAD + "trial: {replicates: $n}\n", n="0755")] == ["number"]
    assert [one.code for one in problems(HEAD.replace("dome.obs.example", "$board"), board="a b")] == ["bad-value"]


@pytest.mark.parametrize("text", ["hall", "=x", "1a=x", "a b=x", "a=\x1b[31m", "a=" + "x" * 5000])
def test_a_bind_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(PlanProblems) as caught:
        parse_binds([text])
    assert [one.code for one in caught.value.problems] == ["bind"]
    assert caught.value.problems[0].render().startswith("command line: --bind ")


def test_binds_are_read_from_the_command_line() -> None:
    assert parse_binds(["a=1", "b=x=y", "c="]) == {"a": "1", "b": "x=y", "c": ""}
    with pytest.raises(PlanProblems, match="bound twice"):
        parse_binds(["a=1", "a=2"])


def test_a_bind_that_no_plan_uses_is_told_with_the_name_that_was_meant() -> None:
    used: set[str] = set()
    planning.load(
        HEAD.replace("dome.obs.example", "$board"), binds={"board": "x", "bord": "y"}, catalogue=CATALOGUE, used=used
    )
    found = unused_binds({"board": "x", "bord": "y"}, used)
    assert [(one.code, one.suggestion) for one in found] == [("bind", "did you mean 'board'?")]


def test_the_privilege_is_what_the_changes_need() -> None:
    hosts = plan("factors: {clock: {setting: governor, at: dome, levels: [powersave]}}\n").hosts
    assert (hosts["dome"].privilege, hosts["hall"].privilege) == ("sudo", "none")
    hosts = plan("factors: {mtu: [1500]}\n").hosts
    assert (hosts["dome"].privilege, hosts["hall"].privilege) == ("sudo", "sudo")
    hosts = plan("factors: {mtu: {levels: [1500], at: far}}\n").hosts
    assert (hosts["dome"].privilege, hosts["hall"].privilege) == ("none", "sudo")


def test_a_level_of_a_command_is_the_text_that_was_written() -> None:
    found = plan(
        'factors:\n  core: {setting: command, at: dome, read: [cat, x], write: [set, "{level}"], wait: 5s,'
        " levels: [6.10, 6.1, on, 12]}\n"
    )
    assert [level.shown for level in found.factors["core"].levels] == ["6.10", "6.1", "on", "12"]
    assert found.factors["core"].levels[0].changes[0].level == {
        "read": ["cat", "x"],
        "write": ["set", "{level}"],
        "wait_s": 5.0,
        "check": [],
        "level": "6.10",
    }


@pytest.mark.parametrize(
    ("keys", "code"),
    [
        ("read: [cat, x]", "missing-key"),
        ('write: [set, "{level}"]', "missing-key"),
        ('read: cat x, write: [set, "{level}"]', "wrong-type"),
        ("read: [cat, x], write: [set, it]", "bad-value"),
        ('read: [cat, 1], write: [set, "{level}"]', "wrong-type"),
        ('read: [], write: [set, "{level}"]', "bad-value"),
        ('read: [cat, ""], write: [set, "{level}"]', "bad-value"),
        ('read: [cat], write: ["{level}"]', "bad-value"),
        ('read: [cat], write: [set, "{level}"], wait: 5', "unit-missing"),
        ('read: [cat], write: [set, "{level}"], wait: 2h', "bad-value"),
    ],
)
def test_a_command_without_what_it_needs_is_refused(keys: str, code: str) -> None:
    assert problem(f"factors:\n  led: {{setting: command, at: dome, {keys}, levels: [a]}}\n").code == code


# A part of the grammar that some version did not carry out yet, and a plan that has it.
PARTS: dict[tuple[str | int, ...], str] = {
    ("trial", "precision"): HEAD + "trial: {precision: 2%, replicates: {min: 3, max: 20}}\n",
    ("trial", "replicates"): HEAD + "trial: {precision: 2%, replicates: {min: 3, max: 20}}\n",
    ("budget",): HEAD + "budget: 30min\n",
    ("screen",): HEAD + "factors: {mtu: [1500, 9000], streams: [1, 4], ip: [4, 6], zero_copy: [false, true]}\n"
    "screen: true\n",
    ("factors", "intended_load", "*"): HEAD + "factors: {transport: [udp], intended_load: [search]}\n",
    ("factors", "intended_load", "levels", "*"): HEAD
    + "factors: {transport: [udp], intended_load: {levels: [50%, search]}}\n",
    ("factors", "loss_limit"): HEAD + "factors: {transport: [udp], intended_load: [50%], loss_limit: [0%]}\n",
    ("links", "*", "address"): HEAD.replace("isolated: true", "address: temporary"),
    ("hosts", "*", "power_cycle"): HEAD.replace(
        "{ssh: dome.obs.example}", "{ssh: dome.obs.example, power_cycle: {command: [plug, 1-off], wait: 60s}}"
    ),
}


@pytest.mark.parametrize("part", PARTS, ids=".".join)
def test_every_part_of_the_grammar_is_understood(part: tuple[str, ...]) -> None:
    load(PARTS[part])


def test_a_hosts_power_switch_is_arguments_and_a_wait_and_absent_unless_asked_for() -> None:
    hosts = load(PARTS["hosts", "*", "power_cycle"]).hosts
    assert hosts["dome"].power_cycle == PowerCycle(("plug", "1-off"), 60.0)
    assert hosts["hall"].power_cycle is None


@pytest.mark.parametrize("text", ["plug 1-off", "[]", "{shell: plug}", "[plug, 1]", '[""]', '["a\\0b"]'])
def test_a_power_switch_that_is_no_list_of_arguments_is_refused(text: str) -> None:
    hosts = f"{{ssh: dome.obs.example, power_cycle: {{command: {text}}}}}"
    assert problems(HEAD.replace("{ssh: dome.obs.example}", hosts))


@pytest.mark.parametrize(
    ("rest", "code"),
    [
        ("trial: {replicates: {min: 3, max: 20}}", "missing-key"),
        ("trial: {replicates: {min: 20, max: 3}, precision: 2%}", "clash"),
        ("trial: {replicates: {min: 0, max: 3}, precision: 2%}", "bad-value"),
        ("trial: {replicates: {min: 1, max: 6}, precision: 2%}", "bad-value"),
        ("trial: {replicates: {min: 2, max: 6}, precision: 2%}", "bad-value"),
        ("trial: {replicates: 2, precision: 2%}", "bad-value"),
        ("trial: {replicates: {min: 3}, precision: 2%}", "missing-key"),
        ("trial: {precision: 2}", "unit-missing"),
        ("trial: {precision: 80%}", "bad-value"),
        ("trial: {precision: 2%}\nbudget: 30min", "clash"),
    ],
)
def test_how_often_a_cell_is_measured_is_decided_by_one_thing(rest: str, code: str) -> None:
    assert problem(rest + "\n").code == code


def test_a_plan_without_factors_is_one_cell_of_the_hosts_as_they_stand() -> None:
    found = planning.cells(plan(""))
    assert [(cell.key, cell.settings) for cell in found] == [("as-it-stands", ())]


ALL_WRONG = """\
plan: {}
hosts: 1
links: []
factors: x
hold: {}
leave_out: {}
trial: []
order: 1
bench: []
accept: [1, {}]
lease: []
threshold: {}
screen: 1
purpose: []
"""


def test_no_message_is_left_in_the_library_s_own_words(tmp_path: Path) -> None:
    """Words of the validation library that would show up if a kind of error had been forgotten."""
    texts = [
        FIVE_MISTAKES,
        "[]",
        "1",
        ALL_WRONG,
    ]
    for text in texts:
        for one in problems(text):
            assert "Input should" not in one.message
            assert "valid" not in one.message
