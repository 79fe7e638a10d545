"""A plan in the words of before is refused with the lines to write instead, and those lines make it the plan meant."""

from __future__ import annotations

import random
from dataclasses import dataclass

import pytest

from orchestrator.onhost.settings import CATALOGUE
from orchestrator.planning import Plan, PlanProblems, Problem, load
from orchestrator.planning.old_words import in_new_words

SEEDS = range(60)
_FACTORS = (
    ("offered_rate", "intended_load", "[50%, 95%]"),
    ("segment_size", "mss", "{levels: [536B, 1200B], only: {transport: tcp}}"),
    ("no_copy", "zero_copy", "[false, true]"),
    ("receive-coalescing", "receive-offload", '["on", "off"]'),
    ("least-frequency", "min-frequency", "{at: AT, levels: [600MHz]}"),
    ("greatest-frequency", "max-frequency", "{at: AT, levels: [900MHz, 1200MHz]}"),
)
_PLACES = (("first", "under_test"), ("second", "far"), ("both", "both"), ("dome", "dome"))


@dataclass(frozen=True)
class Drawn:
    """One plan in the words of before, and in today's."""

    old: str
    new: str


def drawn(seed: int) -> Drawn:
    """A plan of one or two links, in one of YAML's styles, with some factors that have other names now."""
    dice = random.Random(seed)
    old, new = [], []

    def both(before: str, now: str = "") -> None:
        old.append(before)
        new.append(now or before)

    both("plan: night")
    both("hosts: {dome: {ssh: $board}, hall: {ssh: hall}}")
    both("links:  # what is measured")
    for number, name in enumerate(["uplink", "spare"][: dice.choice([1, 1, 2])], 1):
        _link(dice, both, name, f"eth{number}", 20000 + 100 * number)
    if dice.random() < 0.5:
        at, now = dice.choice([*_PLACES[:2], ("hall:eth1", "hall eth1"), ('"hall:eth1"', '"hall eth1"')])
        both("hold:")
        setting = dice.choice([("receive-coalescing", "receive-offload"), ("receive-ring", "receive-ring")])
        both(
            f"- {{setting: {setting[0]}, at: {at}, level: {'on' if setting[0] != 'receive-ring' else 256}}}",
            f"- {{setting: {setting[1]}, at: {now}, level: {'on' if setting[0] != 'receive-ring' else 256}}}",
        )
    both("factors:")
    both("  transport: [tcp, udp]")
    held = any("receive-coalescing" in line for line in old)
    chosen = [one for one in dice.sample(_FACTORS, dice.randint(0, 4)) if not (held and one[1] == "receive-offload")]
    for before, now, levels in chosen:
        at = dice.choice(_PLACES[:2])
        both(
            f"  {before}: {levels.replace('AT', at[0])}  # varied", f"  {now}: {levels.replace('AT', at[1])}  # varied"
        )
    if any(before == "offered_rate" for before, _, _ in chosen):
        both("leave_out: [{offered_rate: 50%}]", "leave_out: [{intended_load: 50%}]")
    bounds = dice.random() < 0.5
    both(
        f"trial: {{length: 1s, {'precision: 2%, replicates: {least: 3, most: 9}' if bounds else 'replicates: 2'}}}",
        f"trial: {{length: 1s, {'precision: 2%, replicates: {min: 3, max: 9}' if bounds else 'replicates: 2'}}}",
    )
    return Drawn("\n".join(old) + "\n", "\n".join(new) + "\n")


def _link(dice: random.Random, both: object, name: str, interface: str, port: int) -> None:
    """One link, with its ends in one of the ways to write them."""
    assert callable(both)
    one, two = dice.choice(
        [
            ((f"dome:{interface}", f"hall:{interface}"), (f"dome {interface}", f"hall {interface}")),
            ((f"'dome:{interface}'", f'"hall:{interface}"'), (f"'dome {interface}'", f'"hall {interface}"')),
            ((f"dome:{interface}", "{host: hall, bus: 0000:03:00.0}"),
             (f"dome {interface}", "{host: hall, bus: 0000:03:00.0}")),
        ]
    )  # fmt: skip
    addresses = ("[198.18.0.1, 198.18.0.2]", "{under_test: 198.18.0.1, far: 198.18.0.2}")
    address = dice.random() < 0.4
    ports = f"ports: {port}-{port + 63}"
    if dice.random() < 0.5:
        before, now = (f", address: {each}" if address else "" for each in addresses)
        both(
            f"  {name}: {{ends: [{', '.join(one)}], {ports}{before}, isolated: true}}",
            f"  {name}: {{under_test: {two[0]}, far: {two[1]}, {ports}{now}, isolated: true}}",
        )
        return
    both(f"  {name}:")
    if dice.random() < 0.5:
        both(f"    ends: [{', '.join(one)}]   # a remark", f"    under_test: {two[0]}\n    far: {two[1]}   # a remark")
    else:
        both(f"    ends:\n    - {one[0]}\n    - {one[1]}", f"    under_test: {two[0]}\n    far: {two[1]}")
    if address:
        both(f"    address: {addresses[0]}", f"    address: {addresses[1]}")
    both(f"    {ports}")


def refused(text: str, **binds: str) -> tuple[Problem, ...]:
    """Everything that is said of a plan that cannot be taken."""
    with pytest.raises(PlanProblems) as caught:
        load(text, catalogue=CATALOGUE, binds=binds)
    return caught.value.problems


def mended(text: str, found: tuple[Problem, ...]) -> str:
    """The text with what the problems say to write instead pasted over their lines."""
    lines = text.split("\n")
    for one in sorted(found, key=lambda one: -one.line):
        lines[one.line - 1 : one.until] = one.instead.split("\n")
    return "\n".join(lines)


def read(text: str) -> Plan:
    return load(text, catalogue=CATALOGUE, binds={"board": "dome.example"})


@pytest.mark.parametrize("seed", SEEDS)
def test_the_lines_that_are_told_make_an_old_plan_the_plan_that_was_meant(seed: int) -> None:
    plan = drawn(seed)
    found = refused(plan.old, board="dome.example")
    assert {one.code for one in found} == {"old-word"}
    assert read(mended(plan.old, found)) == read(plan.new)
    for one in found:
        assert one.instead in one.render(), "ready to paste, as it stands in the file"


@pytest.mark.parametrize("seed", SEEDS)
def test_the_plan_that_an_earlier_run_kept_is_read_in_todays_words(seed: int) -> None:
    plan = drawn(seed)
    binds = {"board": "dome.example"}
    assert read(in_new_words(plan.old, binds)) == read(plan.new)
    assert in_new_words(plan.new, binds) == plan.new


@pytest.mark.parametrize("seed", SEEDS)
def test_another_mistake_in_an_old_plan_is_told_in_the_same_go_where_it_stands(seed: int) -> None:
    mistake = "  mtuu: [1500]"
    lines = drawn(seed).old.split("\n")
    lines.insert(lines.index("factors:") + 1, mistake)
    found = refused("\n".join(lines), board="dome.example")
    (other,) = [one for one in found if one.code != "old-word"]
    assert (lines[other.line - 1], other.column, other.source) == (mistake, 3, mistake)


def test_a_mistake_behind_an_old_word_in_its_line_is_told_at_its_own_column() -> None:
    text = (
        "plan: night\nhosts: {dome: {ssh: a}, hall: {ssh: b}}\n"
        "links: {uplink: {ends: [dome:eth1, hall:eth1], rate: 2500}}\n"
    )
    (wrong,) = [one for one in refused(text) if one.code != "old-word"]
    assert (wrong.code, wrong.line, text.split("\n")[2][wrong.column - 1 :][:4]) == ("unit-missing", 3, "2500")


def test_ends_that_are_repeated_by_an_alias_are_written_out() -> None:
    text = (
        "plan: night\nhosts: {dome: {ssh: a}, hall: {ssh: b}}\nlinks:\n"
        "  one: {ends: &both [dome:eth1, hall:eth1], ports: 20000-20063}\n"
        "  two: {ends: *both, ports: 20100-20163}\n"
    )
    plan = load(mended(text, refused(text)), catalogue=CATALOGUE)
    assert {str(end) for link in plan.links.values() for end in link.ends} == {"dome eth1", "hall eth1"}


@pytest.mark.parametrize(
    ("factor", "kept"),
    [
        ("no_copy: {setting: governor, at: dome, levels: [powersave]}", "no_copy"),
        ("segment_size: {levels: {stock: {}, wide: {mtu: 9000}}}", "segment_size"),
    ],
)
def test_a_name_of_ones_own_is_no_old_word(factor: str, kept: str) -> None:
    head = "plan: night\nhosts: {dome: {ssh: a}, hall: {ssh: b}}\n"
    text = f"{head}links: {{uplink: {{under_test: dome eth1, far: hall eth1}}}}\nfactors: {{{factor}}}\n"
    assert list(load(text, catalogue=CATALOGUE).factors) == [kept]


def test_hosts_may_be_called_as_ends_were() -> None:
    text = (
        "plan: night\nhosts: {first: {ssh: a}, second: {ssh: b}}\n"
        "links: {uplink: {under_test: first eth1, far: second eth1}}\n"
        "factors: {clock: {setting: governor, at: first, levels: [powersave]}}\n"
    )
    assert str(load(text, catalogue=CATALOGUE).factors["clock"].levels[0].changes[0].where) == "first"
