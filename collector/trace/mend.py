"""A torn trace file: put aside, and a new one with every reading that can still be read.

Each blob carries its checksum, so what is copied is what was written. Facts stay as they are: the book has them.
"""

from __future__ import annotations

import logging
import sqlite3
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from collector.trace import blobs
from collector.trace.pieces import unpack
from collector.trace.sqlite import SqliteTrace

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

log = logging.getLogger(__name__)

_CHECKS = {"blob": blobs.decode, "hot": unpack}
"""What says of a table's ``data`` that it is whole."""


@dataclass(frozen=True, slots=True)
class MendedTrace:
    """Where the torn file is, and rows kept and not readable, by table."""

    aside: Path
    kept: dict[str, int]
    lost: dict[str, int]


def mend_trace(path: Path) -> MendedTrace | None:
    """Replaces a torn trace file by a sound one; None: everything in it can be read.

    To be called while no process has the file open. Reads all of it, and needs as much room again on the disk.

    Raises:
        sqlite3.Error: the new file cannot be written; the torn one stays where it is.
        collector.trace.store.TraceError: likewise.
    """
    if not path.exists() or not path.stat().st_size:
        return None
    fresh = path.with_name(path.name + ".mending")
    for part in _files(fresh):
        part.unlink(missing_ok=True)
    SqliteTrace(fresh).close()
    kept, lost, sound = _carry(path, fresh)
    if sound and not any(lost.values()):
        for part in _files(fresh):
            part.unlink(missing_ok=True)
        return None
    aside = path.with_name(f"{path.name}.torn-{time.strftime('%Y%m%dT%H%M%SZ', time.gmtime())}")
    for part, away in zip(_files(path), _files(aside), strict=True):
        if part.exists():
            part.rename(away)
    fresh.rename(path)
    log.error("the trace was torn; it is now %s. Kept: %s. Could not be read: %s", aside, kept, lost)
    return MendedTrace(aside, kept, lost)


def _files(path: Path) -> list[Path]:
    return [path.with_name(path.name + end) for end in ("-wal", "-shm", "")]


def _carry(torn_file: Path, fresh: Path) -> tuple[dict[str, int], dict[str, int], bool]:
    old, new = sqlite3.connect(torn_file, timeout=15), sqlite3.connect(fresh)
    kept: dict[str, int] = {}
    lost: dict[str, int] = {}
    try:
        try:
            sound = old.execute("PRAGMA quick_check(1)").fetchone() == ("ok",)
        except sqlite3.DatabaseError:
            sound = False
        names = "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
        for (name,) in new.execute(names).fetchall():
            columns, key = _shape(new, name)
            into = f'INSERT OR IGNORE INTO "{name}" VALUES ({", ".join("?" * len(columns))})'  # noqa: S608
            kept[name] = lost[name] = 0
            for row in _readable(old, name, columns, key, lost):
                if name in _CHECKS and not _whole(name, row[columns.index("data")]):
                    lost[name] += 1
                else:
                    kept[name] += new.execute(into, row).rowcount
        new.commit()
    finally:
        old.close()
        new.close()
    return kept, lost, sound


def _shape(db: sqlite3.Connection, name: str) -> tuple[list[str], list[str]]:
    """A table's columns, and those of its primary key in their order."""
    rows = db.execute(f'PRAGMA table_info("{name}")').fetchall()
    return [row[1] for row in rows], [row[1] for row in sorted((r for r in rows if r[5]), key=lambda r: r[5])]


def _whole(name: str, data: Any) -> bool:
    try:
        _CHECKS[name](data)
    except (blobs.BlobError, TypeError):
        return False
    return True


def _readable(
    db: sqlite3.Connection, name: str, columns: list[str], key: list[str], lost: dict[str, int]
) -> Iterator[tuple[Any, ...]]:
    """The rows from the first to one that cannot be read, and from the last back to one.

    Where the key is one number, what lies between is tried in ever larger steps.
    """
    listed = ", ".join(f'"{column}"' for column in columns)
    ends: list[Any] = []
    for order in ("ASC", "DESC"):
        by = ", ".join(f'"{column}" {order}' for column in key)
        newest = None
        try:
            for row in db.execute(f'SELECT {listed} FROM "{name}" ORDER BY {by}'):  # noqa: S608
                newest = row
                yield row
        except sqlite3.DatabaseError:
            ends.append(newest)
            continue
        return
    lost[name] += 1
    if len(key) == 1 and None not in ends:
        yield from _between(db, name, listed, key[0], *(end[columns.index(key[0])] for end in ends))


def _between(
    db: sqlite3.Connection, name: str, listed: str, key: str, low: int, high: int
) -> Iterator[tuple[Any, ...]]:
    """Rows between two keys, past places that cannot be read."""
    query = f'SELECT {listed} FROM "{name}" WHERE "{key}" > ? AND "{key}" < ? ORDER BY "{key}"'  # noqa: S608
    at = listed.split(", ").index(f'"{key}"')
    step = 1
    while low < high:
        try:
            for row in db.execute(query, (low, high)):
                low, step = row[at], 1
                yield row
        except sqlite3.DatabaseError:
            low, step = low + step, step * 2
        else:
            return
