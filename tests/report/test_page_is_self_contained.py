"""The page asks nobody for anything, and its policy forbids it to."""

from __future__ import annotations

import base64
import hashlib
import re

from tests.report.page_tree import Element

LOADING = {"src", "srcset", "data", "poster", "action", "formaction", "background", "manifest", "ping"}


def policy_of(tree: Element) -> dict[str, str]:
    (meta,) = [meta for meta in tree.all("meta") if meta.attributes.get("http-equiv") == "Content-Security-Policy"]
    directives = (part.strip().partition(" ") for part in meta.attributes["content"].split(";"))
    return {name: value for name, _, value in directives}


def test_no_element_loads_anything(tree: Element) -> None:
    loading = [(element.name, element.attributes) for element in tree.walk() if LOADING & set(element.attributes)]

    assert loading == []
    assert {element.name for element in tree.walk()}.isdisjoint(
        {"link", "iframe", "object", "embed", "base", "img", "image", "use", "foreignobject", "audio", "video"}
    )


def test_links_lead_inside_the_page_or_to_files_beside_it(tree: Element) -> None:
    targets = {element.attributes["href"] for element in tree.walk() if "href" in element.attributes}
    ids = {element.attributes["id"] for element in tree.walk() if "id" in element.attributes}

    inside = {target[1:] for target in targets if target.startswith("#")}
    beside = {target for target in targets if not target.startswith("#")}

    assert inside <= ids
    assert all(re.fullmatch(r"[a-z-]+(\.[a-z]+)+", target) for target in beside), beside


def test_style_and_script_fetch_nothing(tree: Element) -> None:
    own = "\n".join(element.text() for name in ("style", "script") for element in tree.all(name))

    assert (
        re.findall(
            r"(?i)https?:|//[a-z]|url\(|@import|fetch\(|XMLHttpRequest|WebSocket|import\(|eval\(|sendBeacon",
            own.replace("// ", ""),
        )
        == []
    )


def test_the_only_addresses_are_those_of_foreign_text(page: str) -> None:
    assert re.findall(r"https?://[^\s\"'<]+", page) == []


def test_the_policy_allows_this_style_sheet_and_this_script_alone(tree: Element) -> None:
    policy = policy_of(tree)

    def allowed(name: str) -> str:
        (element,) = tree.all(name)
        return f"'sha256-{base64.b64encode(hashlib.sha256(element.text().encode()).digest()).decode()}'"

    assert policy == {
        "default-src": "'none'",
        "style-src": allowed("style"),
        "script-src": allowed("script"),
        "base-uri": "'none'",
        "form-action": "'none'",
    }


def test_nothing_is_styled_or_scripted_inline(tree: Element) -> None:
    inline = [
        element.attributes
        for element in tree.walk()
        if any(name == "style" or name.startswith("on") for name in element.attributes)
    ]

    assert inline == []
