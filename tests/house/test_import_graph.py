"""The imports as a graph: no circle, and nothing goes to a host that no host uses.

What counts: for circles, every import that is carried out when a module is imported, also within `if`, `try` and
classes; on hosts those put off into functions and those that name a module as text as well. What stands there for types
alone (TYPE_CHECKING) does not count, nor does the package around a module: its `__init__` has begun by then.
"""

from __future__ import annotations

import ast

import pytest

from orchestrator.act.bundle import collect_sources
from orchestrator.onhost.service.jobs import VERBS
from tests.house.import_graph import Graph, circles, graph, reached, whole_package

ROOM = "orchestrator.onhost"
STANDING_IN = f"{ROOM}.bsd."


def parsed(sources: dict[str, str]) -> dict[str, ast.Module]:
    return {name: ast.parse(source) for name, source in sources.items()}


def on_hosts() -> Graph:
    """The imports of what a host gets, those of the verbs' rooms among them."""
    imports = graph(parsed({name: source for name, (_, source) in collect_sources().items()}), put_off=True)
    verbs = frozenset(f"{ROOM}.{call.room}" for call in VERBS.values())
    return {**imports, f"{ROOM}.service.jobs": imports[f"{ROOM}.service.jobs"] | verbs}


def unused(imports: Graph) -> set[str]:
    """What no host of any family imports: a module that stands in for one that is used is used there."""
    used = reached(imports, {f"{ROOM}.bootstrap"})
    instead = {name for name in imports if name.startswith(STANDING_IN) and ROOM + name[len(STANDING_IN) - 1 :] in used}
    return set(imports) - used - reached(imports, instead)


def test_no_module_of_the_package_imports_itself_by_way_of_others() -> None:
    assert circles(graph(whole_package(), put_off=False)) == []


def test_on_hosts_not_even_an_import_that_is_put_off_closes_a_circle() -> None:
    assert circles(on_hosts()) == []


def test_nothing_is_sent_to_a_host_that_no_host_uses() -> None:
    assert unused(on_hosts()) == set()


def test_whatever_a_host_imports_of_ours_is_sent_to_it() -> None:
    sent, everything = collect_sources().keys(), whole_package()
    wanted = {to for name, tos in graph(everything, put_off=True).items() if name in sent for to in tos}
    assert wanted - sent == set()


@pytest.mark.parametrize(
    ("second", "put_off", "found"),
    [
        ("from p.a import x", False, [["p.a", "p.b"]]),
        ("import p.a", False, [["p.a", "p.b"]]),
        ("from p import a", False, [["p.a", "p.b"]]),
        ("class C:\n    try:\n        import p.a\n    except OSError:\n        pass", False, [["p.a", "p.b"]]),
        ("def f():\n    import p.a", False, []),
        ("def f():\n    import p.a", True, [["p.a", "p.b"]]),
        ("def f():\n    importlib.import_module('p.a')", True, [["p.a", "p.b"]]),
        ("if TYPE_CHECKING:\n    from p.a import x", True, []),
        ("from p import helper", False, []),
    ],
)
def test_a_circle_is_seen_in_whatever_form_it_is_closed(second: str, put_off: bool, found: list[list[str]]) -> None:
    modules = parsed({"p": "", "p.a": "from p.b import y", "p.b": second})
    assert circles(graph(modules, put_off=put_off)) == found


def test_a_circle_of_three_is_one_group_and_what_hangs_on_it_is_none() -> None:
    modules = parsed({"p.a": "import p.b", "p.b": "import p.c", "p.c": "import p.a", "p.d": "import p.a"})
    assert circles(graph(modules, put_off=False)) == [["p.a", "p.b", "p.c"]]


def test_a_module_that_nobody_imports_is_noticed() -> None:
    """A rule that cannot fail guards nothing."""
    imports = on_hosts()
    alone = {f"{ROOM}.path.nobodys": frozenset({f"{ROOM}.refusal"}), f"{STANDING_IN}path.nobodys": frozenset[str]()}
    assert unused({**imports, **alone}) == alone.keys()
