"""What every setting promises, checked for each one on a host in memory; what kernels really do is in the lab tests."""

from __future__ import annotations

import copy
import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.settings import CATALOGUE, FAMILIES, catalogue, in_order
from tests.testing.fake_host import INTERFACE, example_for, fake_host
from tests.testing.fake_kernel import FakeKernel

NAMES = [*CATALOGUE, *(family.example for family in FAMILIES)]
# A second level for each, so that a sequence can go to and fro; the first is the example.
OTHER_LEVELS: dict[str, Any] = {
    "mtu": 1000,
    "speed": "forced 100Mbit/s half",
    "segmentation-offload": "on",
    "receive-offload": "on",
    "checksum-offload": "on",
    "scatter-gather": "on",
    "receive-ring": 512,
    "transmit-ring": 128,
    "interrupt-coalescing": {"adaptive-rx": "on"},
    "channels": 1,
    "pause-frames": "receive",
    "energy-efficient-ethernet": "on",
    "transmit-queue-length": 7,
    "queueing": "pfifo limit=50",
    "interrupt-cores": [0, 2],
    "receive-steering": "0-1",
    "flow-steering": 0,
    "transmit-steering": "off",
    "test-address": ["198.18.7.7/24", "2001:2::7/64"],
    "governor": "powersave",
    "min-frequency": "900MHz",
    "max-frequency": "lowest",
    "boost": "on",
    "idle-limit": "all",
    "congestion-control": "reno",
    "receive-buffer-limit": 4096,
    "transmit-buffer-limit": "1MiB",
    "tcp-receive-memory": [1, 2, 3],
    "tcp-transmit-memory": "4096 4096 4096",
    "tcp-memory": "1 2 3",
    "backlog": 1,
    "busy-polling": 0,
    "mtu-probing": "off",
    "command": {"read": ["dial"], "write": ["dial", "{level}"], "level": "slow"},
    "feature.tx-udp-segmentation": "on",
    "net.ipv4.tcp_sack": 0,
    "boot-lines": {"file": "/boot/parameters", "level": []},
    "kernel": {"file": "/boot/choice-once", "level": "6.1.0-dome"},
}
HOSTILE: list[Any] = [
    None,
    True,
    {},
    [],
    [[]],
    {"": ""},
    {"level": {"level": 1}},
    "",
    " ",
    "\n",
    "\0",
    "-1",
    -1,
    10**30,
    1.5,
    float("nan"),
    float("inf"),
    "9" * 5000,
    "../../etc/shadow",
    "/etc/shadow",
    "; reboot",
    "$(reboot)",
    "`reboot`",
    "a b\nc",
    "\x1b[2J",
    "٣",
    "--help",
    "on\n",
    "default limit=1",
    "198.18.0.0/15",
    "10.0.0.1/24",
    "198.18.0.1",
    "fe80::1%eth0/64",
    "2001:2::1/0",
    {"rx-usecs": "x"},
    {"no-such-word": 1},
    "rx-usecs",
    ["a", None],
    [1, 2],
    "3 2 1",
    "0-",
    "-0",
    "5-2",
    "1GHz; x",
    "forced",
    "forced forced",
    "1Tbit/s",
    {"read": [], "write": [], "level": 1},
    {"read": ["x"], "write": ["x"], "level": "y"},
    {"read": ["x"], "write": ["{level}"], "level": "y"},
    {"read": ["x"], "write": ["x", "{level}"], "level": "y\nz"},
    {"read": "x", "write": ["x", "{level}"], "level": "y"},
    {"read": ["x\0"], "write": ["x", "{level}"], "level": "y"},
    {"read": ["x"], "write": ["x", "{level}"], "level": "y", "wait_s": -1},
    {"read": ["x"], "write": ["x", "{level}"], "level": "y", "shell": True},
]


def target_of(setting: Any) -> str:
    return INTERFACE if setting.scope == "interface" else "tuning" if setting.name == "command" else ""


def bring(kernel: FakeKernel, setting: Any, level: Any) -> None:
    """Apply a level, with the restart that some take."""
    setting.apply(target_of(setting), level)
    if setting.restarts(level) and not setting.verify(target_of(setting), level)["ok"]:
        kernel.start()


def state_of(kernel: FakeKernel) -> Any:
    """All of the double that a setting may change, as a text; the order of addresses does not count."""
    addresses = {index: sorted(each["address"] for each in held) for index, held in kernel.addresses_by_index.items()}
    tables = {f"{name} {table.get}": words for (name, table), words in kernel.tables.items()}
    return copy.deepcopy(
        [
            kernel.files,
            kernel.links_by_name,
            addresses,
            kernel.qdiscs_by_index,
            tables,
            kernel.features_by_name,
            kernel.link_settings_by_name,
            kernel.saved_states,
            {index: held for index, held in kernel.neighbours_by_index.items() if held},
            kernel.boot.files,
            kernel.boot.armed,
            kernel.boot.commands,
            kernel.programs["dial"](["dial"]).output,
        ]
    )


@pytest.mark.parametrize("name", NAMES)
def test_a_setting_is_documented_for_the_list_and_the_check(name: str) -> None:
    setting = CATALOGUE[name]
    assert setting.name == name
    assert setting.doc.endswith(".")
    assert len(setting.doc) <= 120
    assert setting.example
    assert setting.domain_text
    assert setting.scope in ("host", "interface")
    assert setting.privilege in ("root", "user")
    assert setting.touches or name == "command" or setting.restarts(OTHER_LEVELS[name])
    assert (type(setting).__doc__ or "").strip()


@pytest.mark.parametrize("name", NAMES)
def test_an_example_and_the_other_level_can_be_levels(name: str) -> None:
    setting = CATALOGUE[name]
    assert setting.problem_with(example_for(name, setting.example)) == ""
    assert setting.problem_with(OTHER_LEVELS[name]) == ""
    json.dumps(OTHER_LEVELS[name])


@pytest.mark.parametrize("name", NAMES)
def test_hostile_values_are_refused_in_one_printable_line_or_are_levels_without_danger(name: str) -> None:
    kernel = fake_host()
    setting = catalogue(kernel)[name]
    refused = 0
    for value in HOSTILE:
        problem = setting.problem_with(value)
        if not problem:
            continue
        refused += 1
        assert problem.isprintable()
        assert len(problem) < 1000
        assert setting.check(target_of(setting), value) == problem
        with pytest.raises(Refusal):
            setting.apply(target_of(setting), value)
    # the loosest, any kernel parameter by name, still refuses what is not one line of text
    assert refused >= len(HOSTILE) // 2
    assert not kernel.written


@pytest.mark.parametrize("name", NAMES)
@given(
    value=st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
        max_leaves=5,
    )
)
@settings(max_examples=40)
def test_any_value_at_all_gets_an_answer_and_never_an_exception(name: str, value: Any) -> None:
    problem = CATALOGUE[name].problem_with(value)
    assert isinstance(problem, str)
    assert problem == "" or problem.isprintable()


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("which", ["example", "other"])
def test_a_level_is_applied_verified_and_restored(name: str, which: str) -> None:
    kernel = fake_host()
    setting = catalogue(kernel)[name]
    target = target_of(setting)
    level = example_for(name, setting.example) if which == "example" else OTHER_LEVELS[name]
    as_found = state_of(kernel)
    before = json.loads(json.dumps(setting.read(target, level)))  # it goes over the wire and into a journal
    assert setting.same(before, setting.read(target, level))
    assert setting.check(target, level) == ""
    bring(kernel, setting, level)
    seen = setting.verify(target, level)
    assert seen["ok"], seen
    assert seen["why"] == ""
    json.dumps(seen)
    setting.restore(target, before)
    assert setting.same(before, setting.read(target, level))
    assert state_of(kernel) == as_found


@pytest.mark.parametrize("name", NAMES)
def test_a_level_that_holds_is_not_written_again(name: str) -> None:
    kernel = fake_host()
    setting = catalogue(kernel)[name]
    target, level = target_of(setting), example_for(name, setting.example)
    setting.apply(target, level)
    kernel.written.clear()
    setting.apply(target, level)
    assert kernel.written == []


@pytest.mark.parametrize("name", [name for name in NAMES if CATALOGUE[name].privilege == "root"])
def test_without_privilege_only_the_level_that_holds_is_possible(name: str) -> None:
    kernel = fake_host()
    setting = catalogue(kernel)[name]
    target, level, other = target_of(setting), example_for(name, setting.example), OTHER_LEVELS[name]
    bring(kernel, setting, level)
    kernel.root = False
    as_it_stands = state_of(kernel)
    assert setting.check(target, level) == ""
    assert "needs root" in setting.check(target, other)
    with pytest.raises(Refusal):
        setting.apply(target, other)
    assert state_of(kernel) == as_it_stands


@pytest.mark.parametrize("name", [name for name in NAMES if CATALOGUE[name].whole_machine])
def test_what_belongs_to_the_machine_is_refused_in_a_namespace_of_it(name: str) -> None:
    kernel = fake_host()
    kernel.first_namespace = False
    setting = catalogue(kernel)[name]
    changed = OTHER_LEVELS[name]
    if setting.verify(target_of(setting), changed)["ok"]:
        changed = example_for(name, setting.example)
    as_found = state_of(kernel)
    assert "belongs to the whole machine" in setting.check(target_of(setting), changed)
    with pytest.raises(Refusal):
        setting.apply(target_of(setting), changed)
    assert state_of(kernel) == as_found


def test_a_simulated_clock_may_be_set_in_a_namespace() -> None:
    kernel = fake_host()
    kernel.first_namespace = False
    kernel.private_paths = ("/sys/devices/system/cpu",)
    governor = catalogue(kernel)["governor"]
    governor.apply("", "performance")
    assert governor.verify("", "performance")["ok"]


@pytest.mark.parametrize("name", [name for name in NAMES if name not in ("command",)])
def test_a_host_that_has_none_of_it_says_why_and_has_nothing_to_restored(name: str) -> None:
    kernel = FakeKernel()
    setting = catalogue(kernel)[name]
    target, level = target_of(setting), example_for(name, setting.example)
    why = setting.check(target, level)
    assert why
    assert why.isprintable()
    assert setting.read(target, level) is None
    setting.restore(target, None)
    assert setting.mend_command(target, None) == ""


@pytest.mark.parametrize("name", NAMES)
def test_the_mending_command_is_one_line_for_a_person(name: str) -> None:
    kernel = fake_host()
    setting = catalogue(kernel)[name]
    target, level = target_of(setting), example_for(name, setting.example)
    before = setting.read(target, level)
    setting.apply(target, level)
    command = setting.mend_command(target, before)
    assert command
    assert command.isprintable()


USES = st.lists(st.tuples(st.sampled_from(NAMES), st.booleans()), min_size=1, max_size=12)


@given(steps=USES)
@settings(max_examples=300)
def test_any_sequence_of_settings_ends_as_it_began(steps: list[tuple[str, bool]]) -> None:
    kernel = fake_host()
    known = catalogue(kernel)
    as_found = state_of(kernel)
    places: dict[str, Any] = {}
    changed: list[str] = []
    levels = {
        (name, example): example_for(name, known[name].example) if example else OTHER_LEVELS[name]
        for name in NAMES
        for example in (True, False)
    }
    for name, example in steps:  # the first before-value of a place wins, as on a host
        if name not in places:
            places[name] = known[name].read(target_of(known[name]), levels[name, example])
    for name, example in steps:
        setting, level = known[name], levels[name, example]
        if not setting.check(target_of(setting), level):
            changed.append(name)
            setting.apply(target_of(setting), level)
            seen = setting.verify(target_of(setting), level)
            assert seen["ok"] or seen["why"]  # segmentation without checksums does not come, and that is said
    for name in reversed(list(dict.fromkeys(changed))):
        known[name].restore(target_of(known[name]), places[name])
    assert state_of(kernel) == as_found


def test_settings_that_depend_on_each_other_are_ordered_and_the_others_stay() -> None:
    uses = [
        {"setting": name}
        for name in (
            "mtu",
            "governor",
            "segmentation-offload",
            "checksum-offload",
            "receive-ring",
            "feature.rx-gro",
            "command",
            "channels",
        )
    ]
    ordered = [use["setting"] for use in in_order(uses, CATALOGUE)]
    assert sorted(ordered) == sorted(use["setting"] for use in uses)
    for first, then in (
        ("receive-ring", "mtu"),
        ("checksum-offload", "segmentation-offload"),
        ("channels", "receive-ring"),
        ("feature.rx-gro", "mtu"),
    ):
        assert ordered.index(first) < ordered.index(then)
    assert [use["setting"] for use in in_order([{"setting": "governor"}, {"setting": "command"}], CATALOGUE)] == [
        "governor",
        "command",
    ]


def test_no_circle_of_dependencies_among_all_settings() -> None:
    waiting = set(CATALOGUE)
    while waiting:
        free = {name for name in waiting if not waiting.intersection(CATALOGUE[name].after)}
        assert free, f"these wait for each other: {waiting}"
        waiting -= free
    assert all(name in CATALOGUE or name.endswith("*") for each in CATALOGUE.values() for name in each.after)


@pytest.mark.parametrize(
    "name",
    [
        "feature.",
        "feature.TX",
        "feature.a/b",
        "net",
        "net.",
        "net.ipv4",
        "net.ipv4.",
        "net..x.y",
        "net/../kernel/panic",
        "net.ipv4.a b",
        "network.x.y",
        "net.ipv4.x\n",
        "nope",
        "",
    ],
)
def test_a_name_that_is_none_is_no_setting(name: str) -> None:
    assert name not in CATALOGUE
    with pytest.raises(KeyError):
        CATALOGUE[name]
