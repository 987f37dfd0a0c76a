"""A torn book: put aside, and a new one with all that people said in it as far as it can be read.

What was detected needs no rescue: the trace says it again, and the collector derives it at its start because the new
book has no checkpoint. Only facts from before the trace begins, whose readings were thinned out, are taken along.
"""

from __future__ import annotations

import logging
import sqlite3
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy.engine import make_url

from collector.book.book import Book
from collector.book.entries import BookError
from collector.book.rows import TABLES
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

log = logging.getLogger(__name__)

_FACTS = frozenset(table.name for table in TABLES.values())
_FOLLOWS = frozenset(
    {
        "alembic_version",
        "checkpoint",
        "rest",
        "dirty",
        "receipt",
        "now",
        "day_sum",
        "day_sum_version",
        "holder",
        "lease",
        "mirrored",
    }
)
_BEGINS = b"SQLite format 3\x00"


@dataclass(frozen=True, slots=True)
class Mended:
    """What was done: where the torn file is, rows kept by table, and the tables that could not be read to their end."""

    aside: Path
    kept: dict[str, int]
    torn: tuple[str, ...]


def mend_book(url: str, begins: Callable[[str], int | None]) -> Mended | None:
    """Replace a torn SQLite book by a sound one; None: it is sound, new, or in another database.

    To be called before the book is opened, while no other process has it open.

    Args:
        url: database URL of the book.
        begins: time of a saw's first reading in the trace [µs UTC], None without any.

    Raises:
        BookError: the file is not a book at all, so it is left where it is.
    """
    path = file_of(url)
    if path is None or not path.exists() or not path.stat().st_size or sound(path):
        return None
    with path.open("rb") as file:
        if file.read(len(_BEGINS)) != _BEGINS:
            raise BookError(
                later(
                    "{path} does not begin like a database: if it was the book, move it away and start again (the "
                    "facts are derived from the trace; what people said must come from a copy)"
                ),
                path=path,
            )
    aside = path.with_name(f"{path.name}.torn-{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime())}")
    fresh = path.with_name(path.name + ".mending")  # in place only when whole: the trace may be out of reach meanwhile
    for part in _files(fresh):
        part.unlink(missing_ok=True)
    Book(str(make_url(url).set(database=str(fresh)))).close()
    kept, torn = _carry(path, fresh, begins)
    for part, away in zip(_files(path), _files(aside), strict=True):
        if part.exists():
            part.rename(away)
    fresh.rename(path)
    mended = Mended(aside, kept, torn)
    log.error(
        "the book was torn; it is now %s. Kept of what people said: %s rows. Not readable to the end: %s",
        aside,
        sum(mended.kept.values()),
        ", ".join(mended.torn) or "nothing",
    )
    return mended


def _files(path: Path) -> list[Path]:
    return [path.with_name(path.name + end) for end in ("-wal", "-shm", "")]


def file_of(url: str) -> Path | None:
    """The file of a SQLite book; None: it is in another database."""
    parsed = make_url(url)
    return Path(parsed.database) if parsed.get_backend_name() == "sqlite" and parsed.database else None


def sound_book(url: str) -> bool:
    """Whether a book passes its own check, as far as it has a file.

    Raises:
        BookError: it cannot be read at all.
    """
    path = file_of(url)
    return path is None or not path.exists() or sound(path)


def sound(path: Path) -> bool:
    """Whether a SQLite file passes its own check.

    Raises:
        BookError: it cannot be read at all.
    """
    db = sqlite3.connect(path, timeout=15)
    try:
        return bool(db.execute("PRAGMA quick_check(1)").fetchone() == ("ok",))
    except sqlite3.DatabaseError as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF in {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}:
            return False
        raise BookError(later("{path}: {error}"), path=path, error=error) from error
    finally:
        db.close()


def _carry(torn_file: Path, fresh: Path, begins: Callable[[str], int | None]) -> tuple[dict[str, int], tuple[str, ...]]:
    old, new = sqlite3.connect(torn_file), sqlite3.connect(fresh)
    old.text_factory = lambda raw: raw.decode("utf-8", "replace")  # a torn text still says something
    kept: dict[str, int] = {}
    torn: list[str] = []
    try:
        names = [name for (name,) in new.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
        for name in sorted(names, key=lambda name: name != "saw"):
            if name in _FOLLOWS or name.startswith("sqlite_"):
                continue
            columns = _common(old, new, name)
            if not columns:
                torn.append(name)
            elif name in _FACTS:
                _carry_facts(old, new, name, columns, begins, torn)
            else:
                kept[name] = _carry_said(old, new, name, columns, torn)
                if "saw_id" in columns:  # better none than that of another saw
                    new.execute(f'DELETE FROM "{name}" WHERE saw_id NOT IN (SELECT id FROM saw)')  # noqa: S608
        for name in ("checkpoint", "now", "box"):
            new.execute(f"INSERT OR IGNORE INTO {name} (saw_id) SELECT id FROM saw")  # noqa: S608
        new.execute("UPDATE revision SET value = max(value, (SELECT coalesce(max(revision), 0) FROM saw)) + 1")
        new.commit()
    finally:
        old.close()
        new.close()
    return kept, tuple(dict.fromkeys(torn))


def _common(old: sqlite3.Connection, new: sqlite3.Connection, name: str) -> list[str]:
    """The columns that both have; none where the torn file no longer says what it holds."""
    query = f'PRAGMA table_info("{name}")'
    try:
        there = {row[1] for row in old.execute(query)}
    except sqlite3.DatabaseError:
        return []
    return [row[1] for row in new.execute(query) if row[1] in there]


def _listed(columns: list[str]) -> str:
    return ", ".join(f'"{column}"' for column in columns)


def _into(name: str, columns: list[str]) -> str:
    return f'INSERT OR REPLACE INTO "{name}" ({_listed(columns)}) VALUES ({", ".join("?" * len(columns))})'  # noqa: S608


def _carry_facts(
    old: sqlite3.Connection,
    new: sqlite3.Connection,
    name: str,
    columns: list[str],
    begins: Callable[[str], int | None],
    torn: list[str],
) -> None:
    query = f'SELECT {_listed(columns)} FROM "{name}" WHERE saw_id = ? AND end_us < ?'  # noqa: S608
    for saw_id, saw in new.execute("SELECT id, name FROM saw").fetchall():
        first = begins(saw)
        for row in _readable(old, query, (saw_id, 2**62 if first is None else first), torn, name):
            _put(new, _into(name, columns), row)


def _carry_said(
    old: sqlite3.Connection, new: sqlite3.Connection, name: str, columns: list[str], torn: list[str]
) -> int:
    """Rows kept: from the first to what cannot be read, and from the last back to it."""
    seen: set[object] = set()
    for order in ("ASC", "DESC"):
        query = f'SELECT rowid, {_listed(columns)} FROM "{name}" ORDER BY rowid {order}'  # noqa: S608
        faults = len(torn)
        for rowid, *row in _readable(old, query, (), torn, name):
            if rowid not in seen and _put(new, _into(name, columns), tuple(row)):
                seen.add(rowid)
        if len(torn) == faults:
            break
    return len(seen)


def _readable(
    db: sqlite3.Connection, query: str, values: tuple[int, ...], torn: list[str], name: str
) -> Iterator[tuple[object, ...]]:
    """The rows up to the first that cannot be read; the table's name goes to ``torn`` then."""
    try:
        yield from db.execute(query, values)
    except sqlite3.DatabaseError:
        torn.append(name)


def _put(db: sqlite3.Connection, into: str, row: tuple[object, ...]) -> bool:
    """Whether a row could be taken: one that breaks the new book's rules cannot."""
    try:
        db.execute(into, row)
    except sqlite3.IntegrityError:
        return False
    return True
