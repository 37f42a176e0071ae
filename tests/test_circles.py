"""No module knows of one that knows it, by whatever way; imports for types and in functions too.

The graph is drawn by grimp, as import-linter reads it; circles are found by the order in which
modules can be taken away (Kahn 1962).
"""

from __future__ import annotations

import grimp


def in_circles(knows: dict[str, set[str]]) -> set[str]:
    """Take away who knows nobody that is left, until none such is; who stays goes in circles."""
    left = {name: set(others) for name, others in knows.items()}
    while free := {name for name, others in left.items() if not others}:
        left = {name: others - free for name, others in left.items() if name not in free}
    return set(left)


def test_modules_that_know_one_another_are_seen():
    assert in_circles({"a": {"b"}, "b": {"c"}, "c": set()}) == set()
    assert in_circles({"a": {"b"}, "b": {"c"}, "c": {"b"}}) == {"a", "b", "c"}


def test_there_is_no_circle():
    graph = grimp.build_graph("evenhall", cache_dir=None)
    knows = {
        name: set(graph.find_modules_directly_imported_by(name)) - {name} for name in graph.modules
    }
    assert in_circles(knows) == set()
