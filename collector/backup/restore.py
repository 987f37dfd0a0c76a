"""Puts a backup back: whole or not at all, and never over anything."""

from __future__ import annotations

import shutil
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from collector.backup.archive import check, extract, member, opened, sync_folder
from collector.backup.manifest import BOOK, SETTINGS, TRACE, BackupError, Manifest, Member
from collector.backup.moment import book_file
from collector.book.book import Book
from collector.book.copying import copy_book
from collector.book.upgrade import known_versions
from collector.trace.copying import copy_trace
from collector.trace.place import open_trace
from collector.trace.sqlite import SqliteTrace
from collector.words import later, tell_nobody

if TYPE_CHECKING:
    from collector.trace.place import InfluxPlace
    from collector.words import Tell

_DAY_US = 86_400_000_000


def settings_in(path: Path) -> bytes | None:
    """The settings file in a backup, None without one.

    Raises:
        BackupError: the archive is none of ours, or damaged.
        OSError: it cannot be read.
    """
    manifest = check(path)
    with opened(path) as (archive, _):
        return archive.read(SETTINGS) if SETTINGS in manifest.members else None


def restore(path: Path, trace: Path | InfluxPlace, book: str, told: Tell = tell_nobody) -> Manifest:
    """Fill empty stores from a backup, after every checksum in it was compared.

    Files appear under their names when all are on the disk; a book on a server is filled in one transaction, last. A
    trace on a server is filled day by day. Broken off at any moment, the same call goes on where it was; what it has
    left till then, `unfinished` tells.

    Args:
        path: the archive.
        trace: file of the trace, which must not be there, or a bucket without readings.
        book: database URL of the book, which must not be there or be empty.
        told: is told what is being done.

    Returns:
        what is in the archive.

    Raises:
        BackupError: the archive is damaged or of a newer program, or the stores hold something.
        collector.trace.store.TraceError, collector.book.entries.BookError: a store failed or holds something else.
        OSError, sqlalchemy.exc.SQLAlchemyError: a store or the disk failed.
    """
    manifest = check(path)
    if manifest.schema not in known_versions():
        raise BackupError(
            later(
                "{path}: Kerfbook {program} made it, and its book has schema version {schema}, which this "
                "program does not know; install that version or a later one"
            ),
            path=path,
            program=manifest.program,
            schema=manifest.schema,
        )
    told(later("the backup is whole; every checksum is right"))
    files = _files(trace, book)
    missing = {name: file for name, file in files.items() if not _placed(file, manifest.members[name])}
    if BOOK in files and not missing:
        raise BackupError(
            later("all of this backup is there already, at {path}; nothing is left to do"), path=files[BOOK]
        )
    with tempfile.TemporaryDirectory(prefix="kerfbook-restore-") as folder:
        if not isinstance(trace, Path):
            extract(path, TRACE, Path(folder, TRACE))
            _fill_trace(Path(folder, TRACE), trace, manifest)
            told(later("the trace is in its server, compared"))
        if missing:
            _place(path, missing)
        # Last, whatever kind it is: who finds a book finds its trace, too.
        if BOOK not in files:
            extract(path, BOOK, Path(folder, BOOK))
            _fill_book(Path(folder, BOOK), book)
            told(later("the book is in its database, compared"))
    return manifest


def unfinished(trace: Path | InfluxPlace, book: str) -> Path | None:
    """What a restore that broke off, or goes on at this moment, has beside a place that is empty still."""
    for file in _files(trace, book).values():
        for left in (_beside(file), _beside(file.parent)):
            if left.exists() and not file.exists():
                return left
    return None


def _files(trace: Path | InfluxPlace, book: str) -> dict[str, Path]:
    """The stores that are files, by their names in the archive."""
    wanted = {TRACE: trace if isinstance(trace, Path) else None, BOOK: book_file(book)}
    return {name: file for name, file in wanted.items() if file is not None}


def _beside(place: Path) -> Path:
    return place.with_name(f"{place.name}.restoring")


def _placed(file: Path, wanted: Member) -> bool:
    """Whether a file is in its place since a restore that broke off.

    Raises:
        BackupError: another one is.
    """
    wal = file.with_name(file.name + "-wal")
    if file.exists() and not wal.exists() and member(file) == wanted:
        return True
    for there in (file, wal):
        if there.exists():
            raise BackupError(
                later("{path} is there, and nothing is written over; move it away, or restore elsewhere"), path=there
            )
    return False


def _place(path: Path, files: dict[str, Path]) -> None:
    """Writes files beside their places and gives them their names at the end."""
    folders = {file.parent for file in files.values()}
    (folder,) = folders if len(folders) == 1 else (None,)
    if folder is not None and not (folder.exists() and any(folder.iterdir())):
        # One new name for all of them: no moment knows one without the other.
        fresh = _beside(folder)
        shutil.rmtree(fresh, ignore_errors=True)
        fresh.mkdir(parents=True)
        try:
            for name, file in files.items():
                extract(path, name, fresh / file.name)
            sync_folder(fresh)
            fresh.rename(folder)
        except BaseException:
            shutil.rmtree(fresh, ignore_errors=True)
            raise
        sync_folder(folder.parent)
        return
    staged = {name: _beside(file) for name, file in files.items()}
    try:
        for name, file in staged.items():
            file.parent.mkdir(parents=True, exist_ok=True)
            file.unlink(missing_ok=True)
            extract(path, name, file)
        # The trace first: who finds a book finds its trace, too. Between the two `unfinished` tells of the book.
        for name in (TRACE, BOOK):
            if name in files:
                staged[name].rename(files[name])
                sync_folder(files[name].parent)
    except BaseException:
        for file in staged.values():
            file.unlink(missing_ok=True)
        raise


def _fill_trace(file: Path, place: InfluxPlace, manifest: Manifest) -> None:
    since = time.time_ns() // 1000 - place.days * _DAY_US if place.days else -(2**60)
    with SqliteTrace(file, readonly=True) as source, open_trace(place) as target:
        for saw in target.saws():
            held, last = manifest.trace.get(saw), target.last(saw)
            if held is None or (last or 0) > held.last_us:
                raise BackupError(
                    later("{url}: {bucket} holds readings of {saw} that are not in the backup; name an empty one"),
                    url=place.url,
                    bucket=place.bucket,
                    saw=saw,
                )
        copy_trace(source, target, since_us=since)


def _fill_book(file: Path, url: str) -> None:
    with Book(f"sqlite:///{file}") as source, Book(url) as target:
        if target.saws():
            raise BackupError(
                later("the book's database is in use, and nothing is written over; name an empty one in [stores]")
            )
        copy_book(source, target)
