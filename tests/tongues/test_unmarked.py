"""No sentence of the command line, and no refusal that it repeats, stays English because nobody marked it."""

from __future__ import annotations

import ast
import re
from typing import TYPE_CHECKING

import pytest

from tests.tongues.gather import ROOT

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

MARKS = {"gettext", "ngettext", "later", "_"}
WORDS = re.compile(r"[A-Za-z]{2,}[,:]? +([a-z]{2,}|…)")
"""Two words on end, or one and a value: a sentence, or a part of one. Names, keys, paths and formats have none."""
TYPED = re.compile(r"`[^`]*`|^kerfbook( [a-z-]+| …)*:|^ +(chgrp|chown|cp|kerfbook|mkdir|systemctl|useradd) .*")
"""What is typed is the same in every language, and so is the name of the command that speaks."""
NO_SENTENCES = {
    "kerfbook …": "the version",
    "kerfbook …, Python …": "versions",
    "kerfbook alerts of …": "a process, as the book knows it",
    "command line": "where something was done, as the audit trail has it",
    "people …": "an act, as the audit trail has it",
    "from dashboard.cli import main; raise SystemExit(main())": "code",
    r"\(at line (\d+), column (\d+)\)": "a pattern",
    "Kerfbook broker of …": "whom a certificate is made out to",
    "past of …": "a process",
    "box …": "a thread",
    " [request …]": "a line of the log",
}
TOLD = re.compile(r"(Refusal|Told|told|.*\.refuse|(?!Value|Key|Runtime)\w+Error)$")
"""What makes an error or a report that people are told."""


def called(node: ast.AST) -> str:
    """Name of the function of a call, such as ``gettext`` or ``log.info``; empty for anything else."""
    return ast.unparse(node.func) if isinstance(node, ast.Call) else ""


def docstrings(tree: ast.AST) -> set[int]:
    """Strings that stand alone: docstrings of modules, classes, functions and attributes."""
    return {id(e.value) for e in ast.walk(tree) if isinstance(e, ast.Expr) and isinstance(e.value, ast.Constant)}


def texts(node: ast.AST, outside: set[int]) -> Iterator[tuple[int, str]]:
    """Strings below a node that neither stand alone nor in a mark, a log or a statement of a database."""
    name = called(node)
    if name.split(".")[-1] in MARKS or re.match(r"(log|logging)\.|.*\.execute", name) or id(node) in outside:
        return
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.lineno, node.value
    elif isinstance(node, ast.JoinedStr):
        parts = [part.value if isinstance(part, ast.Constant) else "…" for part in node.values]
        yield node.lineno, "".join(map(str, parts))
        for part in node.values:
            if not isinstance(part, ast.Constant):
                yield from texts(part, outside)
    else:
        for child in ast.iter_child_nodes(node):
            yield from texts(child, outside)


def unmarked(path: Path, nodes: list[ast.AST], outside: set[int]) -> list[str]:
    """Sentences below these nodes that nobody marked, each with its place."""
    found = (place for node in nodes for place in texts(node, outside))
    return [
        f"{path.relative_to(ROOT)}:{line}: {text}"
        for line, text in found
        if text not in NO_SENTENCES and WORDS.search(TYPED.sub("", text))
    ]


def modules(*places: str) -> list[Path]:
    """Files of these folders and modules."""
    return sorted(
        path for place in places for path in ((ROOT / place).rglob("*.py") if "." not in place else [ROOT / place])
    )


@pytest.mark.parametrize(
    "path",
    modules(
        *("dashboard/cli.py", "dashboard/logs.py", "dashboard/commands", "dashboard/config", "dashboard/doctor"),
        *("dashboard/broker/certificates.py", "dashboard/broker/folder.py", "dashboard/demo/past.py"),
    ),
    ids=lambda path: str(path.relative_to(ROOT)),
)
def test_every_sentence_of_the_command_line_is_marked(path):
    tree = ast.parse(path.read_text())
    assert unmarked(path, [tree], docstrings(tree)) == []


def test_every_refusal_that_the_command_line_repeats_is_marked():
    found = []
    for path in modules("collector/backup", "collector/book", "collector/trace", "collector/wire", "collector/ingest"):
        tree = ast.parse(path.read_text())
        found += unmarked(path, [node for node in ast.walk(tree) if TOLD.match(called(node))], docstrings(tree))
    assert found == []


def test_a_sentence_that_nobody_marked_is_seen():
    source = (
        "def run(n):\n    print(f'{n} packs written'); print(gettext('in order')); raise BookError('the book is gone')"
    )
    tree = ast.parse(source)
    assert [line.partition(": ")[2] for line in unmarked(ROOT / "new.py", [tree], set())] == [
        "… packs written",
        "the book is gone",
    ]
