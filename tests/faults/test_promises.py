"""DEVELOPERS.md says which test holds a promise: each that it names is there, and no promise in its tables has none."""

from __future__ import annotations

import re
from pathlib import Path

TESTS = Path(__file__).parents[1]
TEXT = (TESTS.parent / "DEVELOPERS.md").read_text()
NAMED = re.compile(r"`((?:[\w/]+/)?(?:test|bench)_\w+)(\.py|…?)(?:::(\w+)(…?))?`")
HOLDING = re.compile(r"\| (?:promise|statement) \|.*\n\| ---.*\n((?:\|.*\n)+)")


def is_there(name: str, kind: str, function: str | None, cut: str | None) -> bool:
    """``tests/room/test_this.py``, ``test_this``, one of these with ``::test_of_it``, or a test's name, cut perhaps."""
    files = list(TESTS.glob(f"**/{name.removeprefix('tests/')}.py"))
    if kind != ".py" and not files:
        files, function, cut = list(TESTS.glob("**/test_*.py")), name, kind
    begins = f"def {function}" + ("" if cut else "(")
    return any(function is None or begins in file.read_text() for file in files)


def test_each_test_that_is_named_is_there():
    named = list(NAMED.finditer(TEXT))
    assert len(named) > 100
    assert [found[0] for found in named if not is_there(*found.groups())] == []


def test_every_promise_names_a_test():
    tables = HOLDING.findall(TEXT)
    assert len(tables) >= 4
    for row in "".join(tables).splitlines():
        assert NAMED.search(row.rstrip(" |").rpartition(" | ")[2]), row


def test_every_file_of_faults_stands_beside_a_promise():
    rows = "".join(HOLDING.findall(TEXT))
    for file in Path(__file__).parent.glob("test_*.py"):
        assert f"{file.name}`" in rows or file == Path(__file__), file.name
