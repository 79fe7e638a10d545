"""The bounded YAML reader: what is written is what is read, and nothing grows, hides or breaks it."""

from __future__ import annotations

import pytest
import yaml

from orchestrator.planning import PlanProblems, decode
from orchestrator.planning.document import Document, Json
from orchestrator.planning.reader import DEEPEST, MOST_ALIASES, MOST_BYTES, MOST_NODES, read


def value(text: str) -> Json:
    """The value of one word of a plan."""
    document = read(f"a: {text}\n")
    assert not document.problems, [one.render() for one in document.problems]
    assert isinstance(document.data, dict)
    return document.data["a"]


def codes(document: Document) -> list[str]:
    """What was found wrong."""
    return [one.code for one in document.problems]


@pytest.mark.parametrize(
    "text",
    [
        "on",
        "off",
        "yes",
        "NO",
        "no",
        "Y",
        "True",
        "FALSE",
        "Null",
        "12:30",
        "0000:03:00.0",
        "10:20:30:40:50:11",
        "02:00:5e:10:00:07",
        "20000-20063",
        "2.5Gbit/s",
        "50%",
        "1_000",
        "0x1F",
        "0o17",
        ".inf",
        ".nan",
        "1.2.3",
        "2024-01-01",
        "1e",
        "e9",
        "--",
        "+",
        ".",
        "192.168.0.1",
        "1 2",
    ],
)
def test_a_word_that_is_no_plain_number_stays_the_text_it_is(text: str) -> None:
    assert value(text) == text


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("true", True),
        ("false", False),
        ("null", None),
        ("~", None),
        ("", None),
        ("0", 0),
        ("9000", 9000),
        ("-5", -5),
        ("+5", 5),
        ("1.5", 1.5),
        (".5", 0.5),
        ("1e9", 1e9),
        ("0.1", 0.1),
        ("0.0", 0.0),
        ('"9000"', "9000"),
        ("'on'", "on"),
        ('"true"', "true"),
        ("123456789012345678", 123456789012345678),
        ('"0755"', "0755"),
        ("[1, on]", [1, "on"]),
    ],
)
def test_numbers_and_the_three_words_are_read_as_such(text: str, meant: Json) -> None:
    found = value(text)
    assert found == meant
    assert type(found) is type(meant)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("0755", "number"),
        ("010", "number"),
        ("-007", "number"),
        ("00.5", "number"),
        ("9" * 19, "number"),
        ("9" * 5000, "number"),
        ("1e999", "number"),
        ("!!python/object:os.system ls", "yaml-feature"),
        ("!x y", "yaml-feature"),
        ("!!str 1", "yaml-feature"),
        ("! y", "yaml-feature"),
        ("*nothing", "alias"),
        ("&a [*a]", "alias"),
        ("&a {b: *a}", "alias"),
        ('"\\ud800"', "not-text"),
        ('"\\0"', "not-text"),
        ('"\\x1b[31m"', "not-text"),
        ('"\\U00110000"', "yaml"),
        ('"\\UFFFFFFFF"', "yaml"),
        ("$x", "unbound"),
    ],
)
def test_a_value_that_cannot_be_read_without_doubt_is_refused_at_its_place(text: str, code: str) -> None:
    document = read(f"a: {text}\nb: 1\n")
    assert codes(document) == [code]
    assert document.problems[0].line == 1


def test_a_broken_value_does_not_hide_the_next() -> None:
    document = read("a: 0755\nb: !!set x\nc: 1\nc: 2\nd: *no\n")
    assert codes(document) == ["number", "yaml-feature", "duplicate-key", "alias"]
    assert [one.line for one in document.problems] == [1, 2, 4, 5]


def test_the_first_of_two_equal_keys_counts_and_both_lines_are_named() -> None:
    document = read("a: 1\nb: {x: 1, x: 2}\na: {c: 3}\n")
    assert document.data == {"a": 1, "b": {"x": 1}}
    assert ["first in line 2" in document.problems[0].message, "first in line 1" in document.problems[1].message] == [
        True,
        True,
    ]


@pytest.mark.parametrize("key", ["1500", "true", "~", "? [a]\n", "? {a: 1}\n", "!!str a", "&k a", "<<", '"\\0"', "0x"])
def test_a_key_is_a_word(key: str) -> None:
    document = read(f"{key}: 1\nb: 2\n")
    assert bool(document.problems) is (key != "0x")
    assert isinstance(document.data, dict)
    assert document.data["b"] == 2


def test_a_merge_key_is_refused_and_not_carried_out() -> None:
    document = read("base: &b {x: 1}\na:\n  <<: *b\n  y: 2\n")
    assert codes(document) == ["yaml-feature"]
    assert document.data == {"base": {"x": 1}, "a": {"y": 2}}


def test_an_alias_repeats_what_it_names_and_errors_in_it_stand_where_it_was_written() -> None:
    document = read("a: &x\n  b: [1, 2]\nc: *x\n")
    assert document.data == {"a": {"b": [1, 2]}, "c": {"b": [1, 2]}}
    assert document.position(("c", "b", 1)) == document.position(("a", "b", 1))
    assert document.position(("c",)).line == 3


def test_places_count_lines_and_columns_from_one() -> None:
    document = read("a:\n  - b: 1\n    cd: [x, yy]\n")
    assert (document.position(("a", 0, "cd", 1)).line, document.position(("a", 0, "cd", 1)).column) == (3, 13)
    assert document.position(("a", 0, "cd"), key=True).column == 5
    assert document.position(("a", 0, "zz")).line == 2, "what has no place stands where its container does"


def bomb(levels: int) -> str:
    """Ten times as many values with every line."""
    lines = ["l0: &l0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"l{n}: &l{n} [{', '.join([f'*l{n - 1}'] * 10)}]" for n in range(1, levels)]
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("[" * 500, "too-large"),
        ("{a: " * 500, "too-large"),
        ("- " * 500 + "x", "too-large"),
        (bomb(9), "too-large"),
        ("a: [" + "x, " * (MOST_NODES + 1) + "]", "too-large"),
        ("a: &a x\n" + "b: [" + "*a, " * (MOST_ALIASES + 1) + "]", "alias"),
        ("x" * (MOST_BYTES + 1), "too-large"),
        ("a: 1\n---\nb: 2\n", "yaml-feature"),
        ("é" * (MOST_BYTES // 2 + 1), "too-large"),
        ("a: \u202e1", "not-text"),
        ("a: \x07", "not-text"),
        ("a: \x85", "not-text"),
        ("a: \ufeffb", "not-text"),
        ("a: \ud800", "not-text"),
        ("a: \u2028b", "not-text"),
        ("", "missing-key"),
        ("# nothing\n", "missing-key"),
        ("%YAML 9" + "9" * 5000 + ".0\n---\na: 1\n", "yaml"),
        ("%YAML 99999.9999\n---\na: 1", "yaml"),
        ("a: b: c", "yaml"),
        ("a:\n\t- b", "yaml"),
        ("a: [1, 2", "yaml"),
        ("a: {b: 1", "yaml"),
        ('a: "b', "yaml"),
        ("a: 'b", "yaml"),
        ("a: @b", "yaml"),
        ("a: `b", "yaml"),
        ("a\n b: c", "yaml"),
        ("a: %b", "yaml"),
        ("- a\nb: c", "yaml"),
        ("a: 1\n  b: 2", "yaml"),
        ('a: "\\q"', "yaml"),
        ("a: &", "yaml"),
        ("a: *", "yaml"),
        ("%TAG\n---\n", "yaml"),
        ("a: |3x\n b", "yaml"),
        ("}", "yaml"),
        ("a: ]", "yaml"),
        ("a: !<x y", "yaml"),
        ("a: !foo!bar y", "yaml"),
    ],
)
def test_what_no_plan_needs_ends_the_reading_with_one_located_problem(text: str, code: str) -> None:
    document = read(text)
    assert codes(document) == [code]
    assert document.problems[0].line >= 1
    assert "\n" not in document.problems[0].message
    assert not document.problems[0].message.startswith("this is not YAML"), document.problems[0].message


def test_depth_counts_what_aliases_put_inside() -> None:
    deep = "a: &a " + "[" * (DEEPEST - 1) + "]" * (DEEPEST - 1)
    assert not read(deep).problems
    twice = read(f"{deep}\nb: [[*a]]\n")
    assert codes(twice) == ["too-large"]
    assert "nested" in twice.problems[0].message
    chain = [deep, *(f"b{n}: &b{n} [*{'a' if n == 0 else f'b{n - 1}'}]" for n in range(60))]
    assert codes(read("\n".join(chain))) == ["too-large"]


def test_line_ends_of_other_systems_count_as_line_ends() -> None:
    assert read("a: 1\r\nb: 0755\r\n").problems[0].line == 2
    assert read("a: 1\rb: 0755\r").problems[0].line == 2


def test_bytes_that_are_no_text_are_located() -> None:
    with pytest.raises(PlanProblems) as caught:
        decode(b"plan: a\nhosts: \xff\n", "p.yaml")
    assert (caught.value.problems[0].line, caught.value.problems[0].column) == (2, 8)
    assert decode(b"\xef\xbb\xbfplan: a", "p.yaml") == "plan: a", "a byte order mark is no part of the plan"


def test_more_bytes_than_a_plan_has_are_not_read() -> None:
    with pytest.raises(PlanProblems, match="larger than"):
        decode(b"#" * (MOST_BYTES + 1), "p.yaml")


def test_what_we_read_as_text_any_reader_reads_as_text_when_it_is_quoted() -> None:
    """Common ground with other readers: quoted text and plain decimal numbers."""
    text = 'a: "on"\nb: "0000:03:00.0"\nc: 9000\nd: [true, "10:20:30:40:50:11"]\n'
    assert read(text).data == yaml.safe_load(text)
