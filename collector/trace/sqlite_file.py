"""A trace's SQLite file: made, opened, told from other files, and what goes wrong with it said in words that help.

Durability: ``synchronous=FULL``. With NORMAL a write-ahead log survives the death of the process but not a power cut:
the last commits are still in the operating system's memory. A message is acknowledged once its readings are committed,
and the broker then forgets it, so a commit must be on the disk. That costs one fsync a commit group, four a second at
most.
"""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from collector.trace import blobs
from collector.trace.store import TraceError
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

_APPLICATION: Final = 0x4B455246  # "KERF"
_LAYOUT: Final = 2
_CACHE_KIB: Final = 500  # behind it stands what the system keeps of the file

# WITHOUT ROWID keeps a saw's hot rows side by side, without an index beside them. In blob, data comes last:
# the columns before it are found without reading the pages that data overflows to. ``auto_vacuum`` can only
# be chosen before the first table; it lets a later thinning give pages back in small steps.
_SCHEMA: Final = """
CREATE TABLE saw (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
CREATE TABLE hot (
  saw INTEGER NOT NULL, id INTEGER NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL,
  readings INTEGER NOT NULL, data BLOB NOT NULL, PRIMARY KEY (saw, id)
) STRICT, WITHOUT ROWID;
CREATE TABLE blob (
  id INTEGER PRIMARY KEY, saw INTEGER NOT NULL, signal TEXT NOT NULL, first INTEGER NOT NULL,
  last INTEGER NOT NULL, readings INTEGER NOT NULL, data BLOB NOT NULL, UNIQUE (saw, signal, first)
) STRICT;
CREATE TABLE minute (
  saw INTEGER NOT NULL, signal TEXT NOT NULL, day INTEGER NOT NULL, data BLOB NOT NULL, PRIMARY KEY (saw, signal, day)
) STRICT, WITHOUT ROWID;
CREATE TABLE aged (saw INTEGER PRIMARY KEY, until INTEGER NOT NULL) STRICT;
"""


class SqliteFile:
    """The file.

    Args:
        path: of the file; made if it is missing, unless ``readonly``.
        readonly: only read.
        undone: called when a transaction is taken back: what was remembered may be of rows that are not there now.

    Attributes:
        db: the connection.

    Raises:
        TraceError: the file is missing (``readonly``), is no trace file, is of a newer layout, or cannot be opened.
    """

    def __init__(self, path: Path | str, *, readonly: bool, undone: Callable[[], None]) -> None:
        self.path = Path(path)
        self._undone = undone
        if readonly and not self.path.exists():
            raise TraceError(
                later("{path}: there is no such trace file; start the collector first, or correct the path"),
                path=self.path,
            )
        with self.clear_errors():
            self.db = sqlite3.connect(self.path, timeout=10, isolation_level=None, check_same_thread=False)
            try:
                self._open(readonly)
            except BaseException:
                self.db.close()
                raise

    def column(self, query: str, *values: int | str) -> list[Any]:
        """The values of a query's one column."""
        return [value for (value,) in self.db.execute(query, values)]

    def pragma(self, text: str) -> int:
        """A pragma's whole number, 0 where it gives none."""
        row = self.db.execute(f"PRAGMA {text}").fetchone()
        return row[0] if row and isinstance(row[0], int) else 0

    def has_minutes(self) -> bool:
        """Whether the file's layout has them: one that is only read may be of an older program."""
        return self.pragma("user_version") >= _LAYOUT

    @contextmanager
    def transaction(self, kind: str) -> Iterator[None]:
        """All that the block does, or nothing of it.

        Raises:
            sqlite3.Error: it cannot be begun or done.
        """
        self.db.execute(f"BEGIN {kind}")
        try:
            yield
            self.db.execute("COMMIT")
        except BaseException:
            self._undone()
            with suppress(sqlite3.Error):
                self.db.execute("ROLLBACK")
            raise

    @contextmanager
    def clear_errors(self) -> Iterator[None]:
        """What SQLite and blobs raise in the block becomes a `TraceError` that says what to do."""
        try:
            yield
        except blobs.BlobError as error:
            raise TraceError(
                later("{path}: {error}; restore the file from a backup"), path=self.path, error=error
            ) from error
        except sqlite3.Error as error:
            advice = _ADVICE.get(
                getattr(error, "sqlite_errorcode", 0) & 0xFF, later("see that the file can be read and written")
            )
            raise TraceError(later("{path}: {error}; {advice}"), path=self.path, error=error, advice=advice) from error

    def _open(self, readonly: bool) -> None:
        application = self.pragma("application_id")
        layout = self.pragma("user_version")
        made = self.column("SELECT count(*) FROM sqlite_schema")[0]
        if readonly and not made:
            raise TraceError(later("{path}: the trace file is still empty; start the collector first"), path=self.path)
        if application != _APPLICATION and made:
            raise TraceError(
                later("{path}: this is no trace file of ours; give the path of another file"), path=self.path
            )
        if layout > _LAYOUT:
            raise TraceError(
                later("{path}: the file has layout {layout}, newer than {known}; update the program"),
                path=self.path,
                layout=layout,
                known=_LAYOUT,
            )
        if readonly:
            self.pragma("query_only = ON")
            return
        if not made:
            self.pragma("auto_vacuum = INCREMENTAL")
        self.pragma(f"cache_size = -{_CACHE_KIB}")
        if self.column("PRAGMA journal_mode = WAL") != ["wal"]:
            raise TraceError(
                later("{path}: this disk holds no write-ahead log; put the file on a local disk"), path=self.path
            )
        self.pragma("synchronous = FULL")
        self.pragma(f"journal_size_limit = {16 << 20}")
        with self.transaction("IMMEDIATE"):
            # Another process may have made it since.
            layout = self.pragma("user_version")
            if layout < _LAYOUT:
                # Layout 1 had no minutes.
                for statement in _SCHEMA.split(";")[3 if layout else 0 : -1]:
                    self.db.execute(statement)
                self.pragma(f"application_id = {_APPLICATION}")
                self.pragma(f"user_version = {_LAYOUT}")


_ADVICE: Final = {
    sqlite3.SQLITE_NOTADB: later("this is no trace file; give the path of another file"),
    sqlite3.SQLITE_CORRUPT: later("the file is damaged; restore it from a backup"),
    sqlite3.SQLITE_FULL: later("free some space on the disk"),
    sqlite3.SQLITE_BUSY: later("another process is writing; let only one collector use the file"),
    sqlite3.SQLITE_CANTOPEN: later("see that the folder exists and may be written"),
    sqlite3.SQLITE_READONLY: later("see that the file and its folder may be written"),
}
