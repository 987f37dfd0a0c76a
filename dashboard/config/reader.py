"""Reads tables key by key and collects every fault, so that one run tells a person all that is wrong."""

from __future__ import annotations

import datetime as dt
import difflib
import json
from typing import TYPE_CHECKING, Any, TypeVar, overload

from api.tongues.say import gettext
from dashboard.config.faults import Fault
from dashboard.config.kinds import Kind, UnfitError
from dashboard.config.lines import Path, key_lines, line_of

if TYPE_CHECKING:
    from collections.abc import Iterator

T = TypeVar("T")
D = TypeVar("D")
_REQUIRED: Any = object()


class Document:
    """A parsed file with the lines of its keys and the faults found so far."""

    def __init__(self, file: str, text: str, values: dict[str, Any]) -> None:
        self.file = file
        self.faults: list[Fault] = []
        self._lines = key_lines(text)
        self._values = values
        self._known: list[str] = []

    def fault(self, path: Path, found: str, expected: str, hint: str = "") -> None:
        """Add a fault at a path."""
        self.faults.append(Fault(self.file, line_of(path, self._lines), _where(path), found, expected, hint))

    def table(self, key: str, *, required: bool = False) -> Table:
        """The table ``[key]``; an empty one where it is missing."""
        self._known.append(key)
        value = self._values.get(key)
        if value is None and required:
            hint = gettext("`kerfbook run --write-config` writes an example")
            self.fault((key,), gettext("nothing"), gettext("a table [{key}]", key=key), hint)
        if value is not None and not isinstance(value, dict):
            self.fault((key,), shown(value), gettext("a table, which begins with a line [{key}]", key=key))
        return Table(self, (key,), value if isinstance(value, dict) else {}, absent=not isinstance(value, dict))

    def tables(self, key: str) -> Iterator[Table]:
        """Every table ``[[key]]``."""
        self._known.append(key)
        value = self._values.get(key, [])
        if not isinstance(value, list) or not all(isinstance(element, dict) for element in value):
            self.fault(
                (key,),
                shown(value),
                gettext("tables, each of which begins with a line [[{key}]]", key=key),
                gettext("two square brackets: there may be several"),
            )
            return
        for number, element in enumerate(value):
            yield Table(self, (key, number), element)

    def close(self) -> None:
        """Add a fault for every table that nobody asked for."""
        for key in self._values:
            if key not in self._known:
                self.fault(
                    (key,),
                    gettext("{key}, which is no table of this file", key=key),
                    gettext("one of {words}", words=", ".join(self._known)),
                    nearest(key, self._known),
                )


class Table:
    """One table; `take` each key, then `close`."""

    def __init__(self, document: Document, path: Path, values: dict[str, Any], *, absent: bool = False) -> None:
        self.path = path
        self._document = document
        self._values = values
        self._absent = absent
        self._known: list[str] = []

    def __contains__(self, key: str) -> bool:
        return key in self._values

    @overload
    def take(self, key: str, kind: Kind[T]) -> T: ...
    @overload
    def take(self, key: str, kind: Kind[T], default: D) -> T | D: ...
    def take(self, key: str, kind: Kind[Any], default: Any = _REQUIRED) -> Any:
        """The value of a key; a faulty one is reported and stands as None, which only `load` sees."""
        self._known.append(key)
        if key not in self._values:
            if default is _REQUIRED and not self._absent:
                self._document.fault((*self.path, key), gettext("nothing: the key is missing"), kind.expected)
            return None if default is _REQUIRED else default
        try:
            return kind.read(self._values[key])
        except UnfitError as unfit:
            self.fault(key, kind.expected, str(unfit))
            return None if default is _REQUIRED else default

    def fault(self, key: str, expected: str, hint: str = "") -> None:
        """Add a fault for the value of a key."""
        self._document.fault((*self.path, key), shown(self._values.get(key)), expected, hint)

    def close(self) -> None:
        """Add a fault for every key that nobody took."""
        for key in self._values:
            if key not in self._known:
                self._document.fault(
                    (*self.path, key),
                    gettext("a key that is not known here"),
                    gettext("one of {words}", words=", ".join(self._known)),
                    nearest(key, self._known),
                )


def nearest(key: str, known: list[str]) -> str:
    """A hint at the known key that looks most like the one found."""
    close = difflib.get_close_matches(key.lower(), known, 1, 0.6)
    return gettext("did you mean {word}?", word=close[0]) if close else ""


def shown(value: object) -> str:
    """A TOML value as a person wrote it, shortened."""
    if isinstance(value, dict):
        return gettext("a table")
    if isinstance(value, dt.date | dt.time | dt.datetime):
        return value.isoformat()
    short = json.dumps(value, ensure_ascii=False, default=str)
    return short if len(short) <= 80 else short[:77] + "…"


def _where(path: Path) -> str:
    table, rest = str(path[0]), path[1:]
    if rest and isinstance(rest[0], int):
        table, rest = gettext("[[{table}]] number {n}", table=table, n=rest[0] + 1), rest[1:]
    else:
        table = f"[{table}]"
    return f"{table}, {'.'.join(str(part) for part in rest)}" if rest else table
