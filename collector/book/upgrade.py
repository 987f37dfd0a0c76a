"""Brings a book to this code's schema version when it is opened. Alembic is imported only when there is work."""

from __future__ import annotations

import logging
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine, inspect, text

from collector.book.engine import reading, writing
from collector.book.entries import BookError
from collector.book.schema import HEAD

if TYPE_CHECKING:
    from alembic.config import Config

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
                f"the database {engine.url!r} is no book: it has tables ({', '.join(sorted(strangers)[:5])}) but no "
                "schema version; give the book a database of its own"
            )
        _migrate(connection, found)


def known_versions() -> set[str]:
    """Every schema version that this program can open."""
    from alembic.script import ScriptDirectory  # noqa: PLC0415 (0.3 s and 10 MB that a book at its head does not need)

    return {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}


def _config() -> Config:
    from alembic.config import Config  # noqa: PLC0415

    config = Config()
    folder = Path(__file__).parent / "migrations"
    config.set_main_option("script_location", str(folder).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config


def _migrate(connection: Connection, found: str | None) -> None:
    from alembic import command  # noqa: PLC0415

    logging.getLogger("alembic").setLevel(logging.WARNING)  # what it tells is for developers
    config = _config()
    if found is not None and found not in known_versions():
        raise BookError(
            f"the book at {connection.engine.url!r} has schema version {found}; this program knows versions up to "
            f"{HEAD}. A newer Kerfbook wrote it: install that version or a later one, or restore an older backup"
        )
    config.attributes["connection"] = connection
    command.upgrade(config, "head")
