"""Building HTML and SVG so that text stays text: everything is escaped unless it was built here.

Pure. `tag("td", name, class_="level")` escapes `name`; only a `Markup` goes in as it is.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from html import escape

from orchestrator.words.plain_text import visible

_VOID = frozenset(
    {"meta", "link", "br", "hr", "input", "img", "path", "line", "rect", "circle", "polyline", "use", "polygon"}
)


class Markup(str):
    """Text that is already markup."""

    __slots__ = ()


Child = str | Markup | None


# Most text is plain; a page of a thousand trials has half a million pieces of it.
_PLAIN = re.compile(r"[ !#$%(-;=?-~]*")


def escaped(text: object) -> Markup:
    """Any text as harmless markup; control characters become visible."""
    if isinstance(text, Markup):
        return text
    if isinstance(text, str) and _PLAIN.fullmatch(text):
        return Markup(text)
    return Markup(escape(visible(text), quote=True))


def joined(parts: Iterable[Child], between: str = "") -> Markup:
    """Parts one after the other; None is left out."""
    return Markup(
        escaped(between).join([part if type(part) is Markup else escaped(part) for part in parts if part is not None])
    )


def tag(name: str, /, *children: Child, **attributes: object) -> Markup:
    """An element. `class_` and `for_` lose their underscore, `data_x` becomes `data-x`; None and False are left out."""
    opening = name + "".join([_attribute(key, value) for key, value in attributes.items()])
    if name in _VOID and not children:
        return Markup(f"<{opening}/>")  # both HTML and SVG read it so
    return Markup(f"<{opening}>{joined(children)}</{name}>")


def _attribute(key: str, value: object) -> str:
    if value is None or value is False:
        return ""
    key = key.rstrip("_").replace("_", "-")
    return f" {key}" if value is True else f' {key}="{escaped(value)}"'
