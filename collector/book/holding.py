"""Who writes to a saw waits for whoever writes to it already."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import Connection, select, text

from collector.book import schema

if TYPE_CHECKING:
    from collections.abc import Collection

_ONCE = 0x6F6E6365  # PostgreSQL advisory lock, "once"


def alone(connection: Connection) -> None:
    """Lets others wait who, too, look whether something is there before they write it: it is to be there once.

    Such is what a process writes at its start, and several may start at once. Before any other lock, and until this
    transaction ends; SQLite has only one writer anyhow.
    """
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _ONCE})


def hold(connection: Connection, saws: Collection[int] | None = None) -> None:
    """Lets other writers to these saws (None: all) wait until this transaction ends; SQLite has only one writer anyhow.

    Always in the order of the saws, and before the revision: two that hold what the other wants would be a deadlock.
    """
    if connection.dialect.name == "sqlite" or saws == set():
        return
    t = schema.saw.c
    # Without the key: rows that only point at a saw may be added meanwhile, in whatever order.
    query = select(t.id).order_by(t.id).with_for_update(key_share=True)
    connection.execute(query if saws is None else query.where(t.id.in_(saws)))
