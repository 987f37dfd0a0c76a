"""How the book's database is reached: engine, SQLite pragmas, and the two kinds of transaction."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError

from collector.book import audit
from collector.book.entries import BookError
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Iterator

_BUSY_MS = 15_000  # a writer waits this long for another process's transaction
_STILL_MS = 15_000  # PostgreSQL ends a transaction in which so long nothing happens
_CACHE_KIB = 500  # of each connection; behind it stands what the system keeps of the file


def open_engine(url: str) -> Engine:
    """The engine for a database URL, e.g. ``sqlite:////var/lib/kerfbook/book.db`` or ``postgresql+psycopg://…``.

    Raises:
        BookError: the URL is none, or SQLite's folder does not exist.
    """
    try:
        parsed = make_url(url)
    except ArgumentError as error:
        raise BookError(
            later("{url} is no database URL; write for example sqlite:////var/lib/kerfbook/book.db"), url=repr(url)
        ) from error
    if parsed.get_backend_name() != "sqlite":
        return create_engine(parsed, pool_pre_ping=True)
    if not parsed.database or parsed.database == ":memory:":
        raise BookError(
            later("the book needs a file: threads and processes meet in it; give sqlite:////path/to/book.db")
        )
    folder = Path(parsed.database).absolute().parent
    if not folder.is_dir():
        raise BookError(
            later("the book's folder {path} does not exist; create it or correct the book's URL"), path=folder
        )
    # The connection used last comes next: the others' caches and statements stay small.
    engine = create_engine(parsed, connect_args={"timeout": _BUSY_MS / 1000}, pool_use_lifo=True)
    event.listen(engine, "connect", _on_connect)
    event.listen(engine, "begin", _on_begin)
    return engine


def _on_connect(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # the driver must not start transactions of its own: _on_begin does
    cursor = connection.cursor()
    cursor.execute("PRAGMA journal_mode=WAL")  # readers never wait for the writer
    cursor.execute("PRAGMA foreign_keys=ON")
    cursor.execute(f"PRAGMA cache_size=-{_CACHE_KIB}")
    cursor.close()


def _on_begin(connection: Connection) -> None:
    options = connection.get_execution_options()
    if not options.get("book_write"):
        connection.exec_driver_sql("BEGIN")
        return
    # Set outside the transaction, where SQLite allows it. NORMAL survives kill -9, FULL a loss of power too.
    level = "FULL" if options.get("book_durable") else "NORMAL"
    connection.exec_driver_sql(f"PRAGMA synchronous={level}")
    connection.exec_driver_sql("BEGIN IMMEDIATE")  # a lock taken late could not be waited for


@contextmanager
def writing(engine: Engine, *, durable: bool = True, noted: bool = True) -> Iterator[Connection]:
    """One write transaction: committed at the end of the block, rolled back on an exception.

    ``durable`` False leaves out SQLite's sync to disk, for what would be derived again from the trace: after a
    loss of power the newest of such commits may be missing, never torn. Whoever speaks in this thread gets an entry
    in the audit trail with it, unless ``noted`` is False.
    """
    options = engine.connect().execution_options(book_write=True, book_durable=durable)
    with options as connection, connection.begin():
        if connection.dialect.name == "postgresql":
            # A process that stands still in the middle must not keep others from its saws.
            connection.exec_driver_sql(f"SET LOCAL idle_in_transaction_session_timeout = {_STILL_MS}")
        yield connection
        if noted:
            audit.note(connection)


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """One read transaction: all statements in the block see the same moment."""
    options = {} if engine.dialect.name == "sqlite" else {"isolation_level": "REPEATABLE READ"}
    with engine.connect().execution_options(**options) as connection, connection.begin():
        yield connection
