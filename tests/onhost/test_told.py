"""Every difference that a host finds is said in words: one line per thing, with a command that mends it."""

from __future__ import annotations

import copy

import pytest

from orchestrator.onhost.image import differences, take_image
from orchestrator.onhost.refusal import Refusal
from orchestrator.onhost.safety import accepting
from orchestrator.onhost.safety.told import LONGEST_TEXT, MAX_LINES, bounded, in_words, leaves, told
from orchestrator.onhost.settings import CATALOGUE
from tests.onhost.own_namespace import in_own_namespace, make_pair, run

NEAR = "near0"


@pytest.mark.parametrize("value", [{"a": {"b": 1}}, [{"a": 1}], "x\ny\tz", "y" * 5000, None, True, 3, "", [], ["a"]])
def test_a_value_is_a_few_words_and_never_a_structure(value: object) -> None:
    text = in_words(value)
    assert text
    assert len(text) <= LONGEST_TEXT
    assert "{" not in text
    assert "\n" not in text


def test_leaves_are_the_single_values_that_differ() -> None:
    before = {"a": {"b": 1, "c": 2}, "d": 3}
    assert list(leaves(before, {"a": {"b": 1, "c": 5}, "e": 4})) == [
        (("a", "c"), 2, 5),
        (("d",), 3, None),
        (("e",), None, 4),
    ]


def test_many_lines_end_with_how_many_were_left_out() -> None:
    lines = bounded([told(str(number), 1, 2) for number in range(500)])
    assert len(lines) == MAX_LINES
    assert lines[-1]["what"] == f"{500 - MAX_LINES + 1} more"


def _settings_differ() -> dict[str, list[dict[str, str]]]:
    make_pair()
    changes = {
        "mtu": f"ip link set dev {NEAR} mtu 4000",
        "transmit-queue-length": f"ip link set {NEAR} txqueuelen 77",
        "segmentation-offload": f"ethtool -K {NEAR} tx-tcp-segmentation off",
        "queueing": f"tc qdisc replace dev {NEAR} root pfifo limit 77",
    }
    found = {}
    for name, change in changes.items():
        setting = CATALOGUE[name]
        before = setting.read(NEAR, None)
        run(change)
        lines = setting.told(NEAR, before, setting.read(NEAR, None))
        for line in lines:
            run(line["command"])
        found[name] = [dict(line) for line in lines]
        assert setting.same(before, setting.read(NEAR, None)), (name, lines)
    return found


@pytest.mark.lab
def test_the_command_of_every_line_puts_right_what_its_line_names() -> None:
    found = in_own_namespace(_settings_differ)
    sizes = [(line["what"], line["before"], line["now"]) for line in found["mtu"]]
    assert sizes == [(f"mtu of {NEAR}", "1500", "4000")]
    offloads = [(line["what"], line["before"], line["now"]) for line in found["segmentation-offload"]]
    assert (f"tx-tcp-segmentation of {NEAR}", "on", "off") in offloads  # the kernel switches others off with it
    assert all(line["command"] for lines in found.values() for line in lines), found


def _image_differs() -> list[dict[str, str]]:
    make_pair()
    before = take_image([NEAR])
    for words in (
        f"ip link set dev {NEAR} mtu 4000",
        f"ip address add 198.18.7.1/24 dev {NEAR}",
        f"ip neighbour add 198.18.7.9 lladdr 02:00:00:00:00:09 dev {NEAR}",
        f"ip route add 198.18.9.0/24 dev {NEAR}",
        "sysctl -qw net.ipv4.tcp_sack=0",
        f"ethtool -K {NEAR} tx-tcp-segmentation off",
        f"tc qdisc replace dev {NEAR} root pfifo",
    ):
        run(words)
    found = differences(before, take_image([NEAR]), [])
    return [entry["told"] for entry in found["other"]]


@pytest.mark.lab
def test_every_kind_of_difference_between_two_images_is_a_line() -> None:
    lines = in_own_namespace(_image_differs)
    said = {line["what"]: (line["before"], line["now"]) for line in lines}
    assert said[f"mtu of {NEAR}"] == ("1500", "4000")
    assert said[f"address 198.18.7.1/24 of {NEAR}"] == ("not there", "there")
    assert said[f"neighbour 198.18.7.9 of {NEAR}"] == ("not there", "there")
    assert ("not there", "there") in [values for what, values in said.items() if what.startswith("route 198.18.9.0")]
    assert all("{" not in line["before"] + line["now"] and line["command"] for line in lines), lines


def test_what_is_accepted_is_what_was_told_to_the_letter() -> None:
    outcome = {"left": [], "conflicts": [{"setting": "mtu", "target": "e0", "now": {"mtu": 4000}}]}
    compared = {"touched": [{"key": "link:e0:mtu", "now": 4000}]}
    mark = accepting.mark(outcome, compared)
    accepting.require_acceptable(outcome, compared, mark)
    other = copy.deepcopy(outcome)
    other["conflicts"][0]["now"] = {"mtu": 4001}
    with pytest.raises(Refusal, match="look again"):
        accepting.require_acceptable(other, compared, mark)
    unread = {"left": [{"setting": "mtu", "target": "e0", "now": None}], "conflicts": []}
    told_mark = accepting.mark(unread, None)
    with pytest.raises(Refusal, match="cannot be read"):
        accepting.require_acceptable(unread, None, told_mark)
    assert accepting.mark({"left": [], "conflicts": []}, {"touched": []}) == ""
