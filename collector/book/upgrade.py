"""Brings a book to this code's schema version when it is opened, and back to an older one when asked.

Before an SQLite book is changed, a copy is laid beside it: ``book.sqlite.was-VERSION``. In PostgreSQL a change is one
transaction, and a copy is for its own tools or ``kerfbook backup``. Alembic is imported only when there is work.
"""

from __future__ import annotations

import logging
import sqlite3
import time
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine, inspect, text

from collector.book.engine import reading, writing
from collector.book.entries import BookError
from collector.book.schema import HEAD
from collector.words import later

if TYPE_CHECKING:
    from alembic.config import Config

log = logging.getLogger(__name__)

_VERSIONS = "alembic_version"  # Alembic's own table
_LOCK = 0x6B657266  # PostgreSQL advisory lock, "kerf"


def version(connection: Connection) -> str | None:
    """The schema version of an open book; None where there is none yet."""
    if not inspect(connection).has_table(_VERSIONS):
        return None
    return connection.execute(text(f"SELECT version_num FROM {_VERSIONS}")).scalar()  # noqa: S608 (a constant)


def upgrade(engine: Engine) -> None:
    """Migrates an empty or older book to `HEAD`, in one transaction; two processes at once wait for each other.

    Raises:
        BookError: the book was written by a newer version of the program, or the database holds something else.
    """
    with reading(engine) as connection:
        if version(connection) == HEAD:
            return
    with writing(engine) as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LOCK})
        found = version(connection)  # another process may have been here in between
        if found == HEAD:
            return
        if found is None and (strangers := set(inspect(connection).get_table_names()) - {_VERSIONS}):
            raise BookError(
                later(
                    "the database {url} is no book: it has tables ({tables}) but no schema version; give the book a "
                    "database of its own"
                ),
                url=repr(engine.url),
                tables=", ".join(sorted(strangers)[:5]),
            )
        _migrate(connection, found)


def versions() -> list[tuple[str, str]]:
    """Every schema version that this program can open, oldest first, with what it brought."""
    from alembic.script import ScriptDirectory  # noqa: PLC0415 (0.3 s and 10 MB that a book at its head does not need)

    scripts = ScriptDirectory.from_config(_config()).walk_revisions()
    return [(script.revision, (script.doc or "").rstrip(".")) for script in scripts][::-1]


def known_versions() -> set[str]:
    """Every schema version that this program can open."""
    return {revision for revision, _ in versions()}


def downgrade(engine: Engine, to: str) -> str:
    """Brings a book back to an older version, in one transaction; returns the version that it had.

    What the older version has no place for is lost; all else stays as it is.

    Raises:
        BookError: there is no such older version, somebody uses the book, or this program does not know its version.
    """
    from alembic import command  # noqa: PLC0415

    known = [revision for revision, _ in versions()]
    with writing(engine) as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LOCK})
        found = version(connection)
        if found not in known:
            raise BookError(later("this program does not know the book's version, {found}"), found=found)
        if to not in known[: known.index(found)]:
            older = ", ".join(known[: known.index(found)]) or later("none")
            raise BookError(
                later("{wanted} is no version before the book's, {found}; there are: {older}"),
                wanted=repr(to),
                found=found,
                older=older,
            )
        if title := _user(connection):
            raise BookError(later("{title} uses the book: stop it first"), title=title)
        _set_aside(engine, found)
        config = _config()
        config.attributes["connection"] = connection
        command.downgrade(config, to)
    return found


def _user(connection: Connection) -> str | None:
    """A process that said a moment ago that it lives."""
    if not inspect(connection).has_table("holder"):
        return None
    query = text("SELECT title FROM holder WHERE until_us > :now LIMIT 1")
    found = connection.execute(query, {"now": time.time_ns() // 1000}).scalar()
    return None if found is None else str(found)


def _set_aside(engine: Engine, found: str) -> None:
    """A copy of an SQLite book as it was last committed, beside it."""
    if engine.dialect.name != "sqlite" or not engine.url.database:
        return
    path = Path(engine.url.database)
    copy = path.with_name(f"{path.name}.was-{found}")
    part = copy.with_name(copy.name + ".part")
    try:
        with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(part)) as target:
            source.backup(target)
        part.replace(copy)
    except (sqlite3.Error, OSError) as error:
        raise BookError(
            later(
                "no copy of the book could be made at {path}, so its schema was not changed ({error}); is the "
                "disk full?"
            ),
            path=copy,
            error=error,
        ) from error
    log.warning("the book's schema changes; as it was before it stands in %s", copy)


def _config() -> Config:
    from alembic.config import Config  # noqa: PLC0415

    logging.getLogger("alembic").setLevel(logging.WARNING)  # what it tells is for developers
    config = Config()
    folder = Path(__file__).parent / "migrations"
    config.set_main_option("script_location", str(folder).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config


def _migrate(connection: Connection, found: str | None) -> None:
    from alembic import command  # noqa: PLC0415

    config = _config()
    if found is not None and found not in known_versions():
        raise BookError(
            later(
                "the book at {url} has schema version {found}; this program knows versions up to {known}. A "
                "newer Kerfbook wrote it: install that version or a later one, or restore an older backup"
            ),
            url=repr(connection.engine.url),
            found=found,
            known=HEAD,
        )
    if found is not None:
        _set_aside(connection.engine, found)
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
