"""What YAML's own complaints mean to someone who writes a plan."""

from __future__ import annotations

import yaml

from orchestrator.planning.document import Position

_PLAINER = (
    (
        "mapping values are not allowed here",
        "a ':' that begins a value where none can stand",
        "a text with ': ' in it goes in quotes; or is a line above indented otherwise?",
    ),
    ("found character '\\t' that cannot start any token", "a tab: YAML indents by spaces", "replace the tab by spaces"),
    ("could not find expected ':'", "a key without its ':'", "write `key: value`, with a space after the ':'"),
    ("expected ',' or ']'", "a list [ that is not closed, or a comma is missing", "close it with ]"),
    ("expected ',' or '}'", "a mapping { that is not closed, or a comma is missing", "close it with }"),
    (
        "expected <block end>, but found",
        "this line does not fit the indentation of the lines above it",
        "lines of one mapping or list begin in the same column",
    ),
    ("expected the node content", "a value is missing here", ""),
    ("while scanning a quoted scalar", "a quoted text that is not closed", "close the quote"),
    ("cannot start any token", "this character cannot begin a value", "put the text in quotes"),
    ("found undefined alias", "an alias without its anchor", ""),
    ("unknown escape character", "an escape that YAML does not know", "a backslash in double quotes is written \\\\"),
    ("scanning a directive", "a YAML directive: plans have none", "leave the line out"),
    ("incompatible YAML document", "a YAML directive: plans have none", "leave the line out"),
    ("scanning a block scalar", "after | or > stands at most one digit and one of + and -", "the text begins below"),
    ("parsing a tag", "a tag: plans have none", "a text that begins with ! goes in quotes"),
    ("scanning a tag", "a tag: plans have none", "a text that begins with ! goes in quotes"),
    ("undefined tag handle", "a tag: plans have none", "a text that begins with ! goes in quotes"),
    (
        "expected alphabetic or numeric character",
        "an & or * without a name",
        "a text that begins with & or * goes in quotes",
    ),
)
# What is noticed only lines later is shown where it began.
_SHOWN_WHERE_IT_BEGAN = ("flow mapping", "flow sequence", "quoted scalar", "simple key")


def explain(error: yaml.YAMLError) -> tuple[Position, str, str]:
    """(position, message, suggestion) of an error of PyYAML's."""
    mark, began = getattr(error, "problem_mark", None), getattr(error, "context_mark", None)
    words = f"{getattr(error, 'context', None) or ''}: {getattr(error, 'problem', None) or error}"
    if began and (mark is None or (mark.line != began.line and any(part in words for part in _SHOWN_WHERE_IT_BEGAN))):
        mark = began
    position = Position(mark.line + 1, mark.column + 1) if mark else Position(1, 1)
    for pattern, message, suggestion in _PLAINER:
        if pattern in words:
            return position, message, suggestion
    short = " ".join(words.split()).strip(": ")
    return position, f"this is not YAML: {short[:120]}", ""
