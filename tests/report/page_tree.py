"""A page as a tree, by the standard library's parser, for tests that ask what a reader's browser would find."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser

VOID = frozenset({"meta", "link", "br", "hr", "input", "img"})


@dataclass
class Element:
    name: str
    attributes: dict[str, str] = field(default_factory=dict)
    children: list[Element | str] = field(default_factory=list)
    parent: Element | None = None

    def walk(self) -> Iterator[Element]:
        yield self
        for child in self.children:
            if isinstance(child, Element):
                yield from child.walk()

    def all(self, name: str) -> list[Element]:
        return [element for element in self.walk() if element.name == name]

    def text(self) -> str:
        return "".join(child if isinstance(child, str) else child.text() for child in self.children)

    @property
    def ancestors(self) -> Iterator[Element]:
        element = self.parent
        while element:
            yield element
            element = element.parent


class _Builder(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("root")
        self.open = self.root
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        element = Element(tag, {name: value or "" for name, value in attrs}, parent=self.open)
        if len(element.attributes) != len(attrs):
            self.wrong.append(f"an attribute twice: {tag} {attrs}")
        self.open.children.append(element)
        if tag not in VOID:
            self.open = element

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        if self.open.name != tag or self.open.parent is None:
            self.wrong.append(f"</{tag}> closes <{self.open.name}>")
            return
        self.open = self.open.parent

    def handle_data(self, data: str) -> None:
        self.open.children.append(data)


def parse(page: str) -> Element:
    """The tree of a page; AssertionError when its tags do not nest."""
    builder = _Builder()
    builder.feed(page)
    builder.close()
    assert builder.wrong == []
    assert builder.open is builder.root
    return builder.root
