"""One instant of trace and book, seen while the collector goes on writing.

The collector commits late stretches to the book, then readings to the trace, then facts to the book
(`collector.ingest.ingest`). So the two are seen at one instant when the book takes no writer while both snapshots
begin: then the trace may be ahead of the book by a commit, which every start of the collector puts right, and never
behind it. The snapshots stand for as long as it takes to copy them; writers wait only until both have begun.
"""

from __future__ import annotations

import sqlite3
import time
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, select, update
from sqlalchemy.engine import make_url

from collector.backup.manifest import BackupError
from collector.book import schema
from collector.book.engine import open_engine, reading, writing
from collector.book.holding import hold
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Iterator

_WAIT_S = 30


@dataclass(frozen=True, slots=True)
class Moment:
    """The snapshots.

    Attributes:
        at_us: when they were taken.
        held_us: for how long writers of the book waited.
        book: of the book.
        trace: of the trace's file; None where it is on a server, which has no snapshots.
    """

    at_us: int
    held_us: int
    book: sqlite3.Connection | Connection
    trace: sqlite3.Connection | None


def book_file(url: str) -> Path | None:
    """The file of a SQLite book, None for another database."""
    parsed = make_url(url)
    return Path(parsed.database) if parsed.get_backend_name() == "sqlite" and parsed.database else None


@contextmanager
def moment(trace: Path | None, book: str) -> Iterator[Moment]:
    """Snapshots of one instant, until the end of the block.

    Args:
        trace: file of the trace, None where it is on a server.
        book: database URL of the book.

    Raises:
        BackupError: a file is missing, or a writer of the book did not end within 30 s.
        sqlite3.Error, sqlalchemy.exc.SQLAlchemyError: a store cannot be read.
    """
    path = book_file(book)
    for file in (path, trace):
        if file is not None and not file.exists():
            raise BackupError(later("there is no {path}; start `kerfbook run` once, or correct [stores]"), path=file)
    with ExitStack() as stack:
        with ExitStack() as held:
            if path is not None:
                lock = held.enter_context(closing(_connect(path)))
                try:
                    lock.execute("BEGIN IMMEDIATE")
                except sqlite3.OperationalError as error:
                    raise BackupError(
                        later("{path}: {error} for {n} s; see which program holds it"),
                        path=path,
                        error=error,
                        n=_WAIT_S,
                    ) from error
                begun = time.perf_counter()
                seen: sqlite3.Connection | Connection = stack.enter_context(closing(_snapshot(path)))
            else:
                engine = open_engine(book)
                stack.callback(engine.dispose)
                waiting = held.enter_context(writing(engine))
                hold(waiting)
                waiting.execute(update(schema.revision).values(value=schema.revision.c.value))
                begun = time.perf_counter()
                seen = stack.enter_context(reading(engine))
                seen.execute(select(schema.revision.c.value))  # the snapshot is taken by the first statement
            history = stack.enter_context(closing(_snapshot(trace))) if trace is not None else None
            at = time.time_ns() // 1000
        yield Moment(at, round((time.perf_counter() - begun) * 1e6), seen, history)


def _connect(path: Path) -> sqlite3.Connection:
    return sqlite3.connect(path, timeout=_WAIT_S, isolation_level=None)


def _snapshot(path: Path) -> sqlite3.Connection:
    db = _connect(path)
    try:
        db.execute("BEGIN")
        db.execute("SELECT count(*) FROM sqlite_schema").fetchone()  # reading begins it
    except BaseException:
        db.close()
        raise
    return db
