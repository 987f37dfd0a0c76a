"""The blades' part of the book: tables of what people said, and the cuts as numbers.

Rows are only ever added. Each has a key that its sayer made: a phone that could not hear the answer says it
again, and the second time changes nothing.
"""

from __future__ import annotations

from itertools import chain, pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
    UniqueConstraint,
    bindparam,
    case,
    func,
    insert,
    literal,
    or_,
    select,
    update,
)

from collector.book import marks, schema
from collector.book.blade_entries import BladeEvent, BladeSheet, ChangeSaid, Fate, SheetSaid
from collector.book.engine import reading, writing
from collector.book.holding import hold
from collector.book.outline import outline
from collector.facts import Cut
from collector.outline import DIRECTIONS, KINDS, OPEN

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray
    from sqlalchemy import Connection

    from collector.book.book import Book


def _said(name: str, *columns: Column[Any] | Index) -> Table:
    """A table of things said; the number is the order in which they were."""
    return Table(
        name,
        schema.metadata,
        Column("id", Integer, primary_key=True),
        Column("key", String(64), nullable=False),
        Column("said_us", BigInteger, nullable=False),
        Column("who", String(64), nullable=False),
        *columns,
        UniqueConstraint("key"),
    )


blade_sheet = _said(
    "blade_sheet",
    Column("tag", String(32), nullable=False),
    Column("removed", Boolean, nullable=False),
    Column("diameter_mm", Float),
    Column("teeth", Integer),
    Column("tooth_form", String(60), nullable=False),
    Column("kerf_mm", Float),
    Column("max_rpm", Integer),
    Column("sharpenings_limit", Integer),
    Column("bought", String(10)),
    Column("price_cents", BigInteger),
    Column("group", String(32), nullable=False),
    Column("limit_cuts", Integer),
    Column("limit_minutes", Integer),
    Column("limit_metres", Integer),
)

blade_event = _said(
    "blade_event",
    Column("tag", String(32), nullable=False),
    Column("kind", String(16), nullable=False),
    Column("at_us", BigInteger, nullable=False),
    Column("price_cents", BigInteger),
    Column("note", String(400), nullable=False),
    Column("corrects", ForeignKey("blade_event.id")),
    Index(None, "tag", "at_us"),
)

blade_change = _said(
    "blade_change",
    Column("saw_id", ForeignKey(schema.saw.c.id), nullable=False),
    Column("kind", String(16), nullable=False),
    Column("at_us", BigInteger, nullable=False),
    Column("tag", String(32)),
    Column("fate", String(16)),
    Column("corrects", ForeignKey("blade_change.id")),
    Index(None, "saw_id", "at_us"),
)

_SHEET_FIELDS = tuple(BladeSheet.__dataclass_fields__)
# Built once: a screen that follows the saws asks these several times a second.
_SPAN = (
    schema.cut.c.saw_id == select(schema.saw.c.id).where(schema.saw.c.name == bindparam("saw")).scalar_subquery(),
    schema.cut.c.start_us >= bindparam("start"),
    schema.cut.c.start_us < bindparam("end"),
)
_COUNT = select(func.count()).select_from(schema.cut).where(*_SPAN)
_LASTED = func.coalesce(func.sum(schema.cut.c.end_us - schema.cut.c.start_us), 0)  # the running cut has no end yet
_USE = select(func.count(), _LASTED).where(*_SPAN)
_SIZE = select(
    *(func.coalesce(select(func.max(t.c.id)).scalar_subquery(), 0) for t in (blade_sheet, blade_event, blade_change))
)
_NEXT_REVISION = update(schema.revision).values(value=schema.revision.c.value + 1)


class BladeBook:
    """What people said about blades, in an open book; safe to use from many threads.

    Args:
        book: the book.
    """

    def __init__(self, book: Book) -> None:
        self._engine = book.engine

    # Saying

    def say_sheet(self, said: SheetSaid) -> tuple[SheetSaid, bool]:
        """Keeps a description; the entry as it is kept, and whether it is new."""
        values = {name: getattr(said.sheet, name) for name in _SHEET_FIELDS}
        row, fresh = self._add(blade_sheet, _head(said) | values | {"removed": said.removed})
        return _sheet(row), fresh

    def say_event(self, said: BladeEvent) -> tuple[BladeEvent, bool]:
        """Keeps a station of a blade's life; the entry as it is kept, and whether it is new."""
        values = {name: getattr(said, name) for name in ("tag", "kind", "at_us", "price_cents", "note", "corrects")}
        row, fresh = self._add(blade_event, _head(said) | values)
        return _event(row), fresh

    def say_change(self, said: ChangeSaid) -> tuple[ChangeSaid, bool]:
        """Keeps what was said about a saw's blade; the entry as it is kept, and whether it is new.

        Raises:
            KeyError: the book knows no such saw.
        """
        values = {name: getattr(said, name) for name in ("kind", "at_us", "tag", "fate", "corrects")}
        row, fresh = self._add(blade_change, _head(said) | values, saw=said.saw)
        return _change(row, said.saw if fresh else self._saw_of(row.saw_id)), fresh

    # What was said

    def sheets(self) -> list[SheetSaid]:
        """Every description ever entered, oldest first."""
        with reading(self._engine) as connection:
            return [_sheet(row) for row in connection.execute(select(blade_sheet).order_by(blade_sheet.c.id))]

    def events(self) -> list[BladeEvent]:
        """Every station ever entered, oldest entry first."""
        with reading(self._engine) as connection:
            return [_event(row) for row in connection.execute(select(blade_event).order_by(blade_event.c.id))]

    def changes(self) -> list[ChangeSaid]:
        """Everything ever said about changes, oldest entry first."""
        query = select(blade_change, schema.saw.c.name.label("saw")).join_from(blade_change, schema.saw)
        with reading(self._engine) as connection:
            return [_change(row, row.saw) for row in connection.execute(query.order_by(blade_change.c.id))]

    def size(self) -> tuple[int, int, int]:
        """How many descriptions, events and changes were ever said: grows with each, cheap to ask."""
        with reading(self._engine) as connection:
            row = connection.execute(_SIZE).one()
        return int(row[0]), int(row[1]), int(row[2])

    # Cuts as numbers

    def cuts(self, saw: str, start_us: int, end_us: int, *, newest: int | None = None) -> NDArray[np.int64]:
        """Detected cuts that started in ``[start_us, end_us)``, in order of start; ``newest``: the last so many.

        Those that people marked as none are left out; those that people drew are not in, for nobody measured them.

        Returns:
            int64 array of shape (n, 5): start, end (`collector.outline.OPEN` while it runs), mean current and idle
            current [mA], and the direction's place in `collector.outline.DIRECTIONS`.
        """
        t = schema.cut.c
        direction = case({d.value: i for i, d in enumerate(DIRECTIONS)}, value=t.direction, else_=-1)
        query = (
            select(t.start_us, func.coalesce(t.end_us, literal(OPEN)), t.mean_ma, t.idle_ma, direction)
            .where(_of_saw(saw), t.start_us >= start_us, t.start_us < end_us)
            .order_by(t.start_us if newest is None else t.start_us.desc())
            .limit(newest)
        )
        with reading(self._engine) as connection:
            rows = connection.execute(query.execution_options(yield_per=4096))
            found = np.fromiter(chain.from_iterable(rows), np.int64).reshape(-1, 5)
            found = found if newest is None else found[::-1]
            if len(found) and saw in marks.marked_saws(connection, int(found[0, 0]), int(found[-1, 0]) + 1):
                counting = _counting(connection, saw, int(found[0, 0]), int(found[-1, 0]) + 1)
                found = found[np.isin(found[:, 0], counting[:, 0])]
        return found

    def counting(self, saw: str, start_us: int, end_us: int) -> NDArray[np.int64]:
        """The saw's cuts that count and started in ``[start_us, end_us)``, in order of start, marks heeded.

        Returns:
            int64 array of shape (n, 2): start and end, `collector.outline.OPEN` while it runs.
        """
        with reading(self._engine) as connection:
            return _counting(connection, saw, start_us, end_us)

    def count_cuts(self, *groups: Sequence[tuple[str, int, int]]) -> list[int]:
        """For each group of spans (saw, start, end), how many cuts that count started in them.

        Counted in the database, but for spans in which people marked cuts.
        """
        with reading(self._engine) as connection:
            marked = _marked(connection, [span for group in groups for span in group])
            return [sum(_use(connection, span, marked, _COUNT)[0] for span in group) for group in groups]

    def use(self, spans: Sequence[tuple[str, int, int]]) -> list[tuple[int, int]]:
        """For each span (saw, start, end): how many cuts that count started in it, and how long they lasted [µs]."""
        with reading(self._engine) as connection:
            marked = _marked(connection, spans)
            return [_use(connection, span, marked, _USE) for span in spans]

    def daily(self, saw: str, edges: Sequence[int]) -> list[tuple[int, int]]:
        """`use` of each stretch between neighbouring edges."""
        return self.use([(saw, a, b) for a, b in pairwise(edges)])

    def door_visits(self, saw: str, start_us: int, end_us: int) -> tuple[list[Any], list[Any]]:
        """Door visits that ended, and the runs that overlap the time around them: rows (start_us, end_us).

        Both are those that overlap ``[start_us, end_us)``, in order of start; a run that goes on has the end None.
        """
        with reading(self._engine) as connection:
            found = []
            for table in (schema.door_visit, schema.run):
                t = table.c
                query = select(t.start_us, t.end_us).where(_of_saw(saw, table), t.start_us < end_us)
                reach = or_(t.end_us.is_(None), t.end_us > start_us)
                # A visit or run longer than a week is none: it bounds what the database must look at.
                early = t.start_us >= start_us - 7 * 86_400_000_000
                found.append(list(connection.execute(query.where(reach, early).order_by(t.start_us))))
        return found[0], found[1]

    # Inside

    def _add(self, table: Table, values: dict[str, Any], saw: str | None = None) -> tuple[Any, bool]:
        """The row with the values' key, added unless it is there; on adding, the revision grows."""
        with writing(self._engine) as connection:
            same = select(table).where(table.c.key == values["key"])
            hold(connection)
            # On PostgreSQL writers queue at this row, so that two with one key cannot both find nothing.
            connection.execute(_NEXT_REVISION)
            if row := connection.execute(same).one_or_none():
                return row, False
            if saw is None:
                self._touch(connection)  # a blade's description or whereabouts may show on any saw's screen
            else:
                values = values | {"saw_id": self._touch(connection, saw)}
            connection.execute(insert(table).values(values))
            return connection.execute(same).one(), True

    @staticmethod
    def _touch(connection: Connection, saw: str | None = None) -> int:
        """Tells screens that something of a saw, or of every saw, is new; the saw's key."""
        saw_id = 0
        told = update(schema.saw).values(revision=select(schema.revision.c.value).scalar_subquery())
        if saw is not None:
            found = connection.execute(select(schema.saw.c.id).where(schema.saw.c.name == saw)).scalar()
            if found is None:
                raise KeyError(saw)
            saw_id, told = int(found), told.where(schema.saw.c.id == found)
        connection.execute(told)
        return saw_id

    def _saw_of(self, saw_id: int) -> str:
        with reading(self._engine) as connection:
            return str(connection.execute(select(schema.saw.c.name).where(schema.saw.c.id == saw_id)).scalar_one())


def _of_saw(saw: str, table: Table = schema.cut) -> Any:
    """Condition that a row of a fact table is the saw's."""
    return table.c.saw_id == select(schema.saw.c.id).where(schema.saw.c.name == saw).scalar_subquery()


def _marked(connection: Connection, spans: Sequence[tuple[str, int, int]]) -> set[str]:
    """The saws with marks anywhere round the spans: mostly none, and then no span is looked at more closely."""
    if not spans:
        return set()
    low, high = min(start for _, start, _ in spans), max(end for _, _, end in spans)
    return set(marks.marked_saws(connection, max(low, -OPEN), min(high, OPEN)))


def _use(connection: Connection, span: tuple[str, int, int], marked: set[str], query: Any) -> tuple[int, int]:
    saw, start, end = span
    if saw in marked and saw in marks.marked_saws(connection, start, end):
        rows = _counting(connection, saw, start, end)
        done = rows[rows[:, 1] < OPEN]
        return len(rows), int((done[:, 1] - done[:, 0]).sum())
    row = connection.execute(query, _span(span)).one()
    return int(row[0]), int(row[-1])


def _counting(connection: Connection, saw: str, start: int, end: int) -> NDArray[np.int64]:
    """Start and end of the cuts that count and started in a period, as people's marks have them; shape (n, 2)."""
    saw_id = connection.execute(select(schema.saw.c.id).where(schema.saw.c.name == saw)).scalar()
    if saw_id is None:
        return np.empty((0, 2), np.int64)
    rows = outline(connection, saw_id, start, end)
    cuts = rows[(rows[:, 0] == KINDS.index(Cut.kind)) & (rows[:, 1] >= start) & (rows[:, 1] < end), 1:3]
    return cuts[np.argsort(cuts[:, 0], kind="stable")]


def _span(span: tuple[str, int, int]) -> dict[str, str | int]:
    saw, start, end = span
    return {"saw": saw, "start": start, "end": end}


def _head(said: SheetSaid | BladeEvent | ChangeSaid) -> dict[str, Any]:
    return {"key": said.key, "said_us": said.said_us, "who": said.who}


def _sheet(row: Any) -> SheetSaid:
    sheet = BladeSheet(**{name: getattr(row, name) for name in _SHEET_FIELDS})
    return SheetSaid(row.key, row.said_us, row.who, sheet, row.removed, row.id)


def _event(row: Any) -> BladeEvent:
    head = (row.key, row.said_us, row.who, row.tag, row.kind, row.at_us)
    return BladeEvent(*head, row.price_cents, row.note, row.corrects, row.id)


def _change(row: Any, saw: str) -> ChangeSaid:
    fate = None if row.fate is None else Fate(row.fate)
    return ChangeSaid(row.key, row.said_us, row.who, saw, row.kind, row.at_us, row.tag, fate, row.corrects, row.id)
