"""What is not as found, in lines: the same words wherever they are shown, never the dump of a structure."""

from __future__ import annotations

import pytest

from orchestrator.decide.as_found import stays

TOLD = {"what": "mtu of e0", "before": "1500", "now": "4000", "command": "ip link set dev e0 mtu 1500"}
CONFLICT = {
    "setting": "mtu",
    "target": "e0",
    "before": {"mtu": 1500, "ipv6": {"e0": {"sysctls": {"conf/x": "1"}}}},
    "now": {"mtu": 4000, "ipv6": {}},
    "why": "someone else changed it",
    "command": "long",
    "told": [TOLD],
}


def test_a_difference_is_one_line_with_before_now_and_the_command() -> None:
    (line,) = stays.lines("dome", {"conflicts": [CONFLICT]})
    assert line == (
        "mtu of e0 on dome: 1500 before, 4000 now (changed by somebody else, so it was left as it is); "
        "to put it right: ip link set dev e0 mtu 1500"
    )


def test_what_the_image_and_the_setting_both_found_is_said_once() -> None:
    image = {
        "what": "mtu of e0",
        "key": "link:e0:mtu",
        "before": 1500,
        "now": 4000,
        "command": TOLD["command"],
        "told": TOLD,
    }
    assert len(stays.lines("dome", {"conflicts": [CONFLICT], "differences": {"touched": [image]}})) == 1


@pytest.mark.parametrize("before", [{"mtu": 1500, "ipv6": {"e0": {"a": 1}}}, 1500, None, [{"kind": "fq"}]])
def test_an_entry_of_an_older_journal_is_a_line_too_and_no_structure(before: object) -> None:
    entry = {
        "setting": "mtu",
        "target": "e0",
        "before": before,
        "now": {"mtu": 4000, "ipv6": {"e0": {"a": 2}}},
        "why": "",
        "command": "do it",
    }
    (line,) = stays.lines("dome", {"left": [entry]})
    assert line.startswith("mtu of e0 on dome: ")
    assert line.endswith("; to put it right: do it")
    assert "{" not in line


def test_more_lines_than_a_person_reads_end_with_where_the_others_are() -> None:
    many = [
        {**CONFLICT, "target": f"e{number}", "told": [{**TOLD, "what": f"mtu of e{number}"}]} for number in range(40)
    ]
    lines = stays.lines("dome", {"conflicts": many})
    assert len(lines) == stays.MOST_LINES + 1
    assert lines[-1] == f"and {40 - stays.MOST_LINES} more on dome, in run.json"


@pytest.mark.parametrize(
    "result",
    [
        {"left": [CONFLICT]},
        {"conflicts": [CONFLICT]},
        {"differences": {"touched": [{"what": "x", "before": 1, "now": 2}]}},
    ],
)
def test_a_host_with_a_difference_is_not_as_found_and_one_that_is_as_found_has_none(result: dict[str, object]) -> None:
    assert not stays.is_as_found(result)
    assert stays.remaining(result)
    nothing = {"left": [], "conflicts": [], "differences": {"touched": [], "other": [{"what": "x"}]}}
    assert stays.is_as_found(nothing)
    assert stays.remaining(nothing) == []
