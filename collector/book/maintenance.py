"""Maintenance in the book: versions of tasks, what people said was done, and the secrets of calendar feeds.

Tasks and ticks are append-only: an edit is a new version, a correction a new tick that names the one it replaces.
"""

from __future__ import annotations

import json
import secrets
from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
    Text,
    func,
    insert,
    select,
    update,
)

from collector.book import schema
from collector.book.engine import reading, writing
from collector.book.entries import BookError
from collector.book.holding import alone
from collector.book.rows import TABLES
from collector.outline import OPEN
from collector.words import later

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from sqlalchemy import Connection, Engine

    from collector.book.book import Book

task = Table(  # every version ever
    "task",
    schema.metadata,
    Column("id", Integer, primary_key=True),
    Column("name", String(64), nullable=False),
    Column("since_us", BigInteger, nullable=False),  # in force from then
    Column("body", Text, nullable=False),  # JSON
    Column("who", String(64), nullable=False),
    Column("said_us", BigInteger, nullable=False),
    Index(None, "name"),
)

tick = Table(  # everything ever said about work done
    "tick",
    schema.metadata,
    Column("id", Integer, primary_key=True),
    Column("task", String(64), nullable=False),
    Column("saw", String(32), nullable=False),
    Column("occurrence", String(64), nullable=False),
    Column("done_us", BigInteger, nullable=False),
    Column("who", String(64), nullable=False),
    Column("role", String(32), nullable=False),
    Column("note", Text, nullable=False),
    Column("said_us", BigInteger, nullable=False),
    Column("replaces", ForeignKey("tick.id"), unique=True),  # null: it corrects nothing
    Column("withdrawn", Boolean, nullable=False),
    Column("token", String(64), unique=True),  # made by the sender: sent twice it counts once
    Index(None, "saw", "task", "done_us"),
)

feed = Table(  # one row a role: whoever knows the secret may read the role's calendar
    "feed",
    schema.metadata,
    Column("role", String(32), primary_key=True),
    Column("secret", String(64), nullable=False, unique=True),
    Column("made_us", BigInteger, nullable=False),
)


_MARK = select(*(func.coalesce(select(func.max(t.c.id)).scalar_subquery(), 0) for t in (task, tick)))


@dataclass(frozen=True, slots=True)
class TaskRow:
    """One version of a task, in force from ``since_us`` until the next of its name; ``body`` is a JSON value."""

    name: str
    since_us: int
    body: Any
    who: str
    said_us: int
    id: int = 0


@dataclass(frozen=True, slots=True)
class TickRow:
    """What somebody said about work done; ``replaces`` names the tick that it corrects."""

    task: str
    saw: str
    occurrence: str
    done_us: int
    who: str
    role: str
    note: str
    said_us: int
    replaces: int | None = None
    withdrawn: bool = False
    token: str | None = None
    id: int = 0


class ReplacedError(BookError):
    """Somebody else has corrected that tick already."""


class MaintenanceBook:
    """The maintenance part of an open book; safe to use from many threads, as the book is."""

    def __init__(self, book: Book) -> None:
        self._engine: Engine = book.engine

    def put_tasks(self, rows: list[TaskRow], *, only_if_empty: bool = False) -> bool:
        """Adds versions of tasks, all or none; ``only_if_empty``: where no task was ever written.

        Returns:
            Whether they were added.
        """
        with writing(self._engine) as connection:
            if only_if_empty:
                alone(connection)
            if only_if_empty and connection.execute(select(func.count()).select_from(task)).scalar_one():
                return False
            for row in rows:
                body = json.dumps(row.body, ensure_ascii=False, sort_keys=True)
                values = {"name": row.name, "since_us": row.since_us, "body": body}
                connection.execute(insert(task).values(**values, who=row.who, said_us=row.said_us))
            _grow(connection)
            return True

    def tasks(self) -> list[TaskRow]:
        """All versions of all tasks, each task's in the order in which they come into force."""
        query = select(task).order_by(task.c.name, task.c.since_us, task.c.id)
        with reading(self._engine) as connection:
            rows = connection.execute(query).all()
        return [TaskRow(r.name, r.since_us, json.loads(r.body), r.who, r.said_us, r.id) for r in rows]

    def add_tick(self, row: TickRow) -> int:
        """Writes down what somebody said; sent again with the same token it is the same tick.

        Returns:
            Its number.

        Raises:
            ReplacedError: it corrects a tick that is corrected already.
            BookError: it corrects a tick that does not exist, or one of another task or saw.
        """
        with writing(self._engine) as connection:
            if row.token is not None:
                known = connection.execute(select(tick.c.id).where(tick.c.token == row.token)).scalar()
                if known is not None:
                    return int(known)
            if row.replaces is not None:
                _check_replaced(connection, row)
            values = {c.name: getattr(row, c.name) for c in tick.c if c.name != "id"}
            key = connection.execute(insert(tick).values(values)).inserted_primary_key
            _grow(connection)
            assert key is not None
            return int(key[0])

    def ticks(self, saw: str | None = None, task_name: str | None = None) -> list[TickRow]:
        """Everything said, in the order in which it was said; of one saw or task, or of all."""
        query = select(tick).order_by(tick.c.id)
        if saw is not None:
            query = query.where(tick.c.saw == saw)
        if task_name is not None:
            query = query.where(tick.c.task == task_name)
        with reading(self._engine) as connection:
            return [TickRow(**{c.name: getattr(r, c.name) for c in tick.c}) for r in connection.execute(query)]

    def mark(self) -> tuple[int, int]:
        """Grows with every version and every tick; a small read."""
        with reading(self._engine) as connection:
            row = connection.execute(_MARK).one()
        return int(row[0]), int(row[1])

    def stops(self, saw: str, start_us: int, end_us: int) -> NDArray[np.int64]:
        """Measured braking times of runs that ended in ``[start_us, end_us)``: rows (end, microseconds)."""
        t = schema.run.c
        query = (
            select(t.end_us, t.stop_us)
            .join_from(schema.run, schema.saw)
            .where(schema.saw.c.name == saw, t.start_us >= start_us - _LONGEST_RUN, t.start_us < end_us)
            .where(t.end_us.is_not(None), t.stop_us.is_not(None), t.end_us >= start_us, t.end_us < end_us)
            .order_by(t.start_us)
        )
        with reading(self._engine) as connection:
            rows = connection.execute(query).all()
        return np.array([tuple(r) for r in rows], np.int64).reshape(-1, 2)

    def stretches(self, saw: str, kind: str, start_us: int, end_us: int) -> NDArray[np.int64]:
        """Facts of one kind that began in ``[start_us, end_us)``: rows (start, end), `OPEN` where still going on."""
        t = TABLES[kind].c
        query = (
            select(t.start_us, func.coalesce(t.end_us, OPEN))
            .join_from(TABLES[kind], schema.saw)
            .where(schema.saw.c.name == saw, t.start_us >= start_us, t.start_us < end_us)
            .order_by(t.start_us)
        )
        with reading(self._engine) as connection:
            rows = connection.execute(query.execution_options(yield_per=4096))
            return np.fromiter(chain.from_iterable(rows), np.int64).reshape(-1, 2)

    # Feeds

    def secret(self, role: str, now_us: int, *, renew: bool = False) -> str:
        """The secret of a role's calendar feed, made at first; ``renew``: a new one, the old one is void."""
        fresh = secrets.token_urlsafe(24)
        with writing(self._engine) as connection:
            known = connection.execute(select(feed.c.secret).where(feed.c.role == role)).scalar()
            if known is None:
                connection.execute(insert(feed).values(role=role, secret=fresh, made_us=now_us))
            elif renew:
                connection.execute(update(feed).where(feed.c.role == role).values(secret=fresh, made_us=now_us))
            else:
                return str(known)
        return fresh

    def role_of(self, secret: str) -> str | None:
        """The role whose feed has this secret."""
        with reading(self._engine) as connection:
            return connection.execute(select(feed.c.role).where(feed.c.secret == secret)).scalar()


_LONGEST_RUN = 7 * 86_400_000_000


def _check_replaced(connection: Connection, row: TickRow) -> None:
    found = connection.execute(select(tick.c.task, tick.c.saw).where(tick.c.id == row.replaces)).one_or_none()
    if found is None or tuple(found) != (row.task, row.saw):
        raise BookError(
            later("there is no tick {tick} of {task} at {saw} that could be corrected"),
            tick=row.replaces,
            task=row.task,
            saw=row.saw,
        )
    if connection.execute(select(tick.c.id).where(tick.c.replaces == row.replaces)).scalar() is not None:
        raise ReplacedError(
            later("tick {tick} is corrected already; look at the newest state and try again"), tick=row.replaces
        )


def _grow(connection: Connection) -> None:
    connection.execute(update(schema.revision).values(value=schema.revision.c.value + 1))
