"""What is on a server, as the SQLite files of a backup.

A trace on a server cannot be seen at one instant. So it is read before the book's instant and compared once more after
it: the later readings among what is newly found are ahead of the book, as after any crash; stretches that the book
believed to be settled are marked as changed in the exported book, and whoever restores derives them again.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from typing import TYPE_CHECKING

from collector.book.book import Book
from collector.book.copying import copy_rows
from collector.derive import read_days
from collector.trace.copying import copy_trace, digest
from collector.trace.sqlite import SqliteTrace

if TYPE_CHECKING:
    from pathlib import Path

    from sqlalchemy import Connection

    from collector.trace.store import TraceStore


def export_book(seen: Connection, to: Path) -> None:
    """All rows of a book's snapshot in a new SQLite book, compared by counts and checksums."""
    with Book(f"sqlite:///{to}") as target:
        copy_rows(seen, target)
    _one_file(to)


def export_trace(source: TraceStore, to: Path) -> None:
    """All readings in a new file, compared day by day."""
    with SqliteTrace(to) as target:
        copy_trace(source, target)
    _one_file(to)


def late_since(source: TraceStore, trace: Path, book: Path) -> int:
    """Brings an exported trace up to what the server has now; returns how many stretches were marked as changed."""
    marked = 0
    with SqliteTrace(trace) as target, Book(f"sqlite:///{book}") as exported:
        known = {saw.name for saw in exported.saws()}
        for saw in source.saws():
            first, last = source.first(saw), source.last(saw)
            if first is None or last is None:
                continue
            point = exported.checkpoint(saw) if saw in known else None
            settled = point.consumed_us if point is not None else None
            for part in read_days(source, saw, first, last + 1):
                if digest(target.read(saw, part.first, part.last + 1)) == digest(part):
                    continue
                target.write(saw, part)
                target.commit()
                if settled is not None and part.first <= settled:
                    exported.mark_dirty({saw: (part.first, min(part.last, settled))})
                    marked += 1
    _one_file(trace)
    _one_file(book)
    return marked


def _one_file(path: Path) -> None:
    """Without a log beside it."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = DELETE")
