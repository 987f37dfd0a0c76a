"""People's marks in the book: append-only. Taking one back is a row of its own, so nothing said is ever lost."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import (
    BigInteger,
    Column,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
    Text,
    bindparam,
    case,
    exists,
    insert,
    literal_column,
    select,
)
from sqlalchemy.exc import IntegrityError

from collector.book import audit
from collector.book.engine import reading
from collector.book.schema import metadata, saw
from collector.facts import Direction, iso
from collector.marks import LONGEST_US, Mark, MarkKind, Withdrawal
from collector.outline import DIRECTIONS

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from sqlalchemy import Connection

    from collector.book.book import Book

mark = Table(
    "mark",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("saw_id", ForeignKey(saw.c.id), nullable=False),
    Column("kind", String(16), nullable=False),
    Column("start_us", BigInteger, nullable=False),
    Column("end_us", BigInteger, nullable=False),
    Column("direction", String(16)),  # of a missed cut, as the currents
    Column("mean_ma", Integer),
    Column("peak_ma", Integer),
    Column("idle_ma", Integer),
    Column("who", String(64), nullable=False),
    Column("said_us", BigInteger, nullable=False),
    Column("note", Text, nullable=False),
    Index(None, "saw_id", "start_us"),
)

mark_withdrawn = Table(
    "mark_withdrawn",
    metadata,
    Column("mark_id", ForeignKey(mark.c.id), primary_key=True, autoincrement=False),
    Column("who", String(64), nullable=False),
    Column("said_us", BigInteger, nullable=False),
)

_STANDS = ~exists(select(literal_column("1")).where(mark_withdrawn.c.mark_id == mark.c.id).correlate(mark))

# A mark is at most LONGEST_US long: those that reach into a period start at most so long before it.
_NEAR = (
    mark.c.saw_id == bindparam("saw"),
    mark.c.start_us > bindparam("mark_low"),
    mark.c.start_us < bindparam("mark_high"),
)

IN_OUTLINE = {MarkKind.NO_CUT: 100, MarkKind.MISSED_CUT: 101}
"""Kinds under which marks come out of the outline's statement, beside the numbers of `collector.outline.KINDS`."""


def outline_part() -> Any:
    """Standing marks round a period as a part of the outline's statement, so that they cost no statement of their own.

    Parameters ``saw``, ``mark_low``, ``mark_high``, see `around`.
    """
    direction = case({d.value: i for i, d in enumerate(DIRECTIONS)}, value=mark.c.direction, else_=-1)
    kind = case({k.value: n for k, n in IN_OUTLINE.items()}, value=mark.c.kind, else_=-1)
    columns = (kind.label("kind"), mark.c.start_us, mark.c.end_us, direction.label("direction"))
    return select(*columns).where(*_NEAR, _STANDS)


def around(start_us: int, end_us: int) -> dict[str, int]:
    """Bounds of the starts of all marks that can touch a cut that overlaps ``[start_us, end_us)``.

    Such a cut may reach beyond the period, but a mark about it is at least half as long and at most twice: it lies
    within two longest marks.
    """
    return {"mark_low": start_us - 3 * LONGEST_US, "mark_high": end_us + 2 * LONGEST_US}


def standing(connection: Connection, saw_id: int, name: str, start_us: int, end_us: int) -> list[Mark]:
    """Marks round a period that nobody took back, in order of start."""
    query = select(mark).where(*_NEAR, _STANDS).order_by(mark.c.start_us, mark.c.id)
    rows = connection.execute(query, {"saw": saw_id, **around(start_us, end_us)})
    return [_mark(name, row) for row in rows]


def marked_saws(connection: Connection, start_us: int, end_us: int) -> list[str]:
    """Names of the saws with marks round a period."""
    bounds = around(start_us, end_us)
    near = (mark.c.start_us > bounds["mark_low"], mark.c.start_us < bounds["mark_high"])
    query = select(saw.c.name).join_from(mark, saw, mark.c.saw_id == saw.c.id).where(*near, _STANDS).distinct()
    return sorted(connection.execute(query).scalars())


def parted(rows: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Rows of the outline's statement as facts, marks ``no_cut`` (n, 2), and marks ``missed_cut`` (n, 3)."""
    kind = rows[:, 0]
    if not len(rows) or kind.max() < min(IN_OUTLINE.values()):
        return rows, np.empty((0, 2), np.int64), np.empty((0, 3), np.int64)
    no_cut = rows[kind == IN_OUTLINE[MarkKind.NO_CUT], 1:3]
    missed = rows[kind == IN_OUTLINE[MarkKind.MISSED_CUT], 1:]
    return rows[kind < min(IN_OUTLINE.values())], no_cut, missed


class Marks:
    """The marks in a book.

    Args:
        book: the book, open.
    """

    def __init__(self, book: Book) -> None:
        self._book = book

    def add(self, new: Mark) -> Mark:
        """Writes a mark; returns it with its id. Said again in the same words, the first one stands.

        Raises:
            BookError: the saw is not registered.
        """
        with self._book.saying(new.saw, _about(new)) as (connection, saw_id):
            same = (
                mark.c.saw_id == saw_id,
                mark.c.kind == new.kind.value,
                mark.c.start_us == new.start,
                mark.c.end_us == new.end,
                _STANDS,
            )
            known = connection.execute(select(mark).where(*same)).first()
            if known is not None:
                return _mark(new.saw, known)
            values = {
                "saw_id": saw_id,
                "kind": new.kind.value,
                "start_us": new.start,
                "end_us": new.end,
                "direction": None if new.direction is None else new.direction.value,
                "mean_ma": new.mean_ma,
                "peak_ma": new.peak_ma,
                "idle_ma": new.idle_ma,
                "who": new.who,
                "said_us": new.at,
                "note": new.note,
            }
            key = connection.execute(insert(mark).values(values)).inserted_primary_key
            assert key is not None
            row = connection.execute(select(mark).where(mark.c.id == key[0])).one()
            return _mark(new.saw, row)

    def withdraw(self, saw_name: str, mark_id: int, who: str, at: int) -> Mark | None:
        """Takes a mark back; taken back before, the first time stands. None: the saw has no such mark."""
        found = self.one(saw_name, mark_id)
        if found is None or found.withdrawn is not None:
            return found
        audit.mention(start=iso(found.start))
        try:
            with self._book.saying(saw_name, _about(found)) as (connection, _):
                values = {"mark_id": mark_id, "who": who, "said_us": at}
                connection.execute(insert(mark_withdrawn).values(values))
        except IntegrityError:  # somebody else was quicker
            pass
        return self.one(saw_name, mark_id)

    def one(self, saw_name: str, mark_id: int) -> Mark | None:
        """A mark by its id."""
        found = self._read(saw_name, mark.c.id == mark_id)
        return found[0] if found else None

    def of(self, saw_name: str, start_us: int, end_us: int, *, withdrawn: bool = False) -> list[Mark]:
        """The saw's marks that overlap ``[start_us, end_us)``, in order of start; ``withdrawn``: also those."""
        near = (mark.c.start_us > start_us - LONGEST_US, mark.c.start_us < end_us, mark.c.end_us > start_us)
        return self._read(saw_name, *near, *(() if withdrawn else (_STANDS,)))

    def _read(self, saw_name: str, *where: Any) -> list[Mark]:
        w = mark_withdrawn.c
        query = (
            select(mark, w.who.label("withdrawn_who"), w.said_us.label("withdrawn_us"))
            .join_from(mark, saw, mark.c.saw_id == saw.c.id)
            .outerjoin(mark_withdrawn, w.mark_id == mark.c.id)
            .where(saw.c.name == saw_name, *where)
            .order_by(mark.c.start_us, mark.c.id)
        )
        with reading(self._book.engine) as connection:
            return [_mark(saw_name, row, _withdrawal(row)) for row in connection.execute(query)]


def _about(said: Mark) -> tuple[int, int]:
    """From when to when facts count differently by a mark: the cut that it is about may be twice as long."""
    return said.start - 2 * LONGEST_US, said.end + 2 * LONGEST_US


def _withdrawal(row: Any) -> Withdrawal | None:
    return None if row.withdrawn_us is None else Withdrawal(row.withdrawn_who, row.withdrawn_us)


def _mark(name: str, row: Any, withdrawn: Withdrawal | None = None) -> Mark:
    return Mark(
        name,
        MarkKind(row.kind),
        row.start_us,
        row.end_us,
        row.who,
        row.said_us,
        row.note,
        None if row.direction is None else Direction(row.direction),
        row.mean_ma,
        row.peak_ma,
        row.idle_ma,
        withdrawn,
        row.id,
    )
