"""On which line a key of a TOML document stands.

`tomllib` gives values and no positions, and so does tomlkit, which keeps a document's text and not its line
numbers; but a person is to be pointed at the right line. This is no parser: it expects text that
`tomllib` has accepted.
"""

from __future__ import annotations

import re

Path = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_PART = re.compile(r"""[ \t]*(?:([A-Za-z0-9_-]+)|"((?:[^"\\\n]|\\.)*)"|'([^'\n]*)')[ \t]*""")
_VALUE = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}|'  # strings of several lines
    r"'''.*?'{3,5}|"
    r'"(?:[^"\\\n]|\\.)*"|'
    r"'[^'\n]*'|"
    r"#[^\n]*|[\[\]{}]|.",
    re.DOTALL,
)


def key_lines(text: str) -> dict[Path, int]:
    """Line (from 1) of every table and key.

    Elements of arrays of tables have their number in the path, from 0: ``("saws", 1, "name")``. Keys in
    inline tables are not listed; ask `line_of`, which falls back on what holds them.
    """
    lines: dict[Path, int] = {}
    tables: dict[Path, int] = {}  # how often an array of tables has been opened
    prefix: Path = ()
    at = _skip(_BLANK, text, 0)
    while at < len(text):
        line = text.count("\n", 0, at) + 1
        if text.startswith("[", at):
            array = text.startswith("[[", at)
            keys, at = _keys(text, at + (2 if array else 1))
            prefix = (*_resolve(keys[:-1], tables), keys[-1])
            if array:
                tables[prefix] = tables.get(prefix, -1) + 1
                prefix += (tables[prefix],)
            else:
                prefix = _resolve(keys, tables)
            lines.setdefault(prefix, line)
            at += 2 if array else 1
        else:
            keys, at = _keys(text, at)
            for depth in range(1, len(keys) + 1):
                lines.setdefault(prefix + tuple(keys[:depth]), line)
            at = _after_value(text, at + 1)
        at = _skip(_BLANK, text, at)
    return lines


def line_of(path: Path, lines: dict[Path, int]) -> int:
    """Line of the path, or of the nearest thing above it that has one; 1 where nothing has."""
    for depth in range(len(path), 0, -1):
        if path[:depth] in lines:
            return lines[path[:depth]]
    return 1


def _resolve(keys: list[str], tables: dict[Path, int]) -> Path:
    """The path of a header's keys: a name of an array of tables stands for its newest element."""
    path: Path = ()
    for key in keys:
        path += (key,)
        if path in tables:
            path += (tables[path],)
    return path


def _skip(pattern: re.Pattern[str], text: str, at: int) -> int:
    found = pattern.match(text, at)
    return found.end() if found else at


def _keys(text: str, at: int) -> tuple[list[str], int]:
    """The dotted key at ``at`` and where it ends."""
    keys: list[str] = []
    while found := _PART.match(text, at):
        keys.append(next(part for part in found.groups() if part is not None))
        at = found.end()
        if not text.startswith(".", at):
            break
        at += 1
    return keys, at


def _after_value(text: str, at: int) -> int:
    """Where the value that begins at ``at`` ends: at the first line end outside strings and brackets."""
    depth = 0
    while at < len(text):
        found = _VALUE.match(text, at)
        if found is None:
            break
        piece = found.group()
        depth += (piece in "[{") - (piece in "]}")
        at = found.end()
        if piece == "\n" and depth == 0:
            break
    return at
