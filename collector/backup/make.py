"""Makes a backup of trace and book while the collector goes on writing.

Files are copied from their snapshots page by page (SQLite's backup interface). What is on a server is exported through
the same code that moves a workshop into other stores (`collector.book.copying`, `collector.trace.copying`), so that a
backup is the same two SQLite files whatever engines are in use, and can be put back into any others.
"""

from __future__ import annotations

import errno
import fcntl
import os
import shutil
import sqlite3
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

from sqlalchemy import select

from collector.backup.archive import member, write_archive
from collector.backup.export import export_book, export_trace, late_since
from collector.backup.manifest import BOOK, SETTINGS, TRACE, BackupError, Manifest, Readings
from collector.backup.moment import book_file, moment
from collector.book import schema
from collector.trace.place import open_trace
from collector.trace.sqlite import SqliteTrace
from collector.words import later, tell_nobody

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from collector.trace.place import InfluxPlace
    from collector.words import Tell

_PAGES: Final = 1024  # copied at a time, 4 MiB: Ctrl-C is heard in between
_WORK: Final = ".kerfbook-backup"  # beside the archive; what a killed backup left in it goes with the next one


def make_backup(
    trace: Path | InfluxPlace,
    book: str,
    target: Path,
    *,
    site: str,
    program: str,
    settings: bytes | None = None,
    left_out: Sequence[str] = (),
    told: Tell = tell_nobody,
) -> Manifest:
    """Write a backup.

    Args:
        trace: file of the trace, or its bucket.
        book: database URL of the book.
        target: name of the archive, which must be free; its folder is made if it is missing.
        site: name of the site.
        program: version of this program.
        settings: the text of the settings file.
        left_out: files that the settings name and that do not go into the archive.
        told: is told what is being done.

    Returns:
        what is in the archive.

    Raises:
        BackupError: a store is missing, busy or damaged, the disk is full, or there is such an archive already.
        collector.trace.store.TraceError, collector.book.entries.BookError: a store failed.
        sqlite3.Error, sqlalchemy.exc.SQLAlchemyError, OSError: a store or the disk failed.
    """
    if target.exists():
        raise BackupError(later("{path} is there already; give another name"), path=target)
    target.parent.mkdir(parents=True, exist_ok=True)
    _room(trace, book, target.parent)
    with _full_disk_told(target.parent), _work(target.parent) as work:
        files = {BOOK: work / BOOK, TRACE: work / TRACE}
        if not isinstance(trace, Path):
            told(later("reading the trace from its server"))
            with open_trace(trace, readonly=True) as server:
                export_trace(server, files[TRACE])
        with moment(trace if isinstance(trace, Path) else None, book) as seen:
            told(later("trace and book are seen at one instant; writers waited {n} ms"), n=f"{seen.held_us / 1000:.1f}")
            if isinstance(seen.book, sqlite3.Connection):
                _copy(seen.book, files[BOOK])
            else:
                export_book(seen.book, files[BOOK])
            if seen.trace is not None:
                _copy(seen.trace, files[TRACE])
        if not isinstance(trace, Path):
            with open_trace(trace, readonly=True) as server:
                late_since(server, files[TRACE], files[BOOK])
        told(later("checking and packing"))
        for name in (BOOK, TRACE):
            _sound(files[name], name)
        version, revision, rows = _in_book(files[BOOK])
        held = _in_trace(files[TRACE])
        if settings is not None:
            files[SETTINGS] = work / SETTINGS
            files[SETTINGS].write_bytes(settings)
        members = {name: member(file) for name, file in files.items()}
        manifest = Manifest(
            seen.at_us, site, program, version, revision, members, rows, held, seen.held_us, tuple(left_out)
        )
        write_archive(target, manifest, files, work)
    return manifest


def _room(trace: Path | InfluxPlace, book: str, folder: Path) -> None:
    """Whether there is room for the copies and the archive: half of the book's size is what packing leaves of it."""
    sizes = [_size(file) for file in (trace if isinstance(trace, Path) else None, book_file(book))]
    wanted, free = 2 * sizes[0] + 3 * sizes[1] // 2, shutil.disk_usage(folder).free
    if wanted > free:
        raise BackupError(
            later(
                "{path}: a backup needs up to {wanted} MB there while it is made, and {free} MB are free; free "
                "some space, keep fewer backups, or write to another disk"
            ),
            path=folder,
            wanted=f"{wanted / 1e6:.0f}",
            free=f"{free / 1e6:.0f}",
        )


def _size(file: Path | None) -> int:
    """Bytes of a SQLite file and of the log beside it."""
    parts = [] if file is None else [file, file.with_name(file.name + "-wal")]
    return sum(part.stat().st_size for part in parts if part.exists())


@contextmanager
def _work(folder: Path) -> Iterator[Path]:
    """A folder for unfinished files, for one backup at a time; emptied before and after."""
    with _alone(folder / f"{_WORK}.lock") as lock:
        work = folder / _WORK
        shutil.rmtree(work, ignore_errors=True)
        work.mkdir(mode=0o700)
        try:
            yield work
        finally:
            shutil.rmtree(work, ignore_errors=True)
            lock.unlink(missing_ok=True)


@contextmanager
def _alone(lock: Path) -> Iterator[Path]:
    seen = False
    while not seen:
        with lock.open("ab") as held:
            try:
                fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError as error:
                raise BackupError(
                    later("another backup into {path} is being made; wait until it is done"), path=lock.parent
                ) from error
            # If it was deleted since it was opened, this lock is one that nobody else sees.
            with suppress(FileNotFoundError):
                seen = os.path.samestat(lock.stat(), os.fstat(held.fileno()))
            if seen:
                yield lock


@contextmanager
def _full_disk_told(folder: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, sqlite3.Error) as error:
        full = getattr(error, "errno", 0) in {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
        if full or getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_FULL:
            raise BackupError(
                later(
                    "{path}: the disk is full, and nothing of the backup was left there; free some space, keep fewer "
                    "backups, or write to another disk"
                ),
                path=folder,
            ) from error
        raise


def _copy(source: sqlite3.Connection, to: Path) -> None:
    with closing(sqlite3.connect(to, isolation_level=None)) as copy:
        copy.execute("PRAGMA synchronous = OFF")  # the archive is synced
        source.backup(copy, pages=_PAGES, sleep=0)
        copy.execute("PRAGMA journal_mode = DELETE")  # one file, whoever opens it


def _sound(file: Path, name: str) -> None:
    with closing(sqlite3.connect(file)) as db:
        try:
            (verdict,) = db.execute("PRAGMA quick_check(1)").fetchone()
        except sqlite3.DatabaseError as error:
            verdict = str(error)
    if verdict != "ok":
        raise BackupError(
            later("{name} is damaged where it is kept ({verdict}); see `kerfbook doctor`"), name=name, verdict=verdict
        )


def _in_book(file: Path) -> tuple[str, int, dict[str, int]]:
    """Schema version, revision, and rows by table."""
    with closing(sqlite3.connect(file)) as db:
        names = db.execute("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
        rows = {name: db.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0] for (name,) in names.fetchall()}  # noqa: S608
        (version,) = db.execute("SELECT version_num FROM alembic_version").fetchone()
        (revision,) = db.execute(str(select(schema.revision.c.value))).fetchone()
    return version, revision, rows


def _in_trace(file: Path) -> dict[str, Readings]:
    with SqliteTrace(file, readonly=True) as trace:
        found = {saw: (trace.stored(saw), trace.first(saw, -(2**60)), trace.last(saw)) for saw in trace.saws()}
    return {
        saw: Readings(count, first, last)
        for saw, (count, first, last) in found.items()
        if first is not None and last is not None
    }
