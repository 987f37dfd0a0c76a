"""Reads an outline of facts from the book: one statement, no objects, integers all through; marks are applied here."""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import bindparam, case, func, literal, literal_column, or_, select, union_all

from collector.book import marks
from collector.book.rows import TABLES
from collector.facts import SECOND, Conflict, Cut
from collector.marks import corrected_outline
from collector.outline import DIRECTIONS, KINDS, OPEN

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from sqlalchemy import Connection


def _parts(number: int, kind: str) -> list[Any]:
    t = TABLES[kind].c
    direction: Any = literal_column("-1")
    if kind == Cut.kind:
        direction = case({d.value: i for i, d in enumerate(DIRECTIONS)}, value=t.direction, else_=-1)
    columns: tuple[Any, ...] = (
        literal_column(str(number)).label("kind"),
        t.start_us.label("start_us"),
        func.coalesce(t.end_us, literal(OPEN)).label("end_us"),
        direction.label("direction"),
    )
    saw: Any = bindparam("saw")
    start: Any = bindparam("start")
    end: Any = bindparam("end")
    inside = select(*columns).where(t.saw_id == saw, t.start_us >= start, t.start_us < end)
    before = select(*columns).where(t.saw_id == saw, t.start_us < start)
    if kind == Conflict.kind:  # several can be on at once, and they are few
        reaching = before.where(or_(t.end_us.is_(None), t.end_us > start))
    else:  # facts of one kind follow one another: only the last before can reach into the period
        newest = before.order_by(t.start_us.desc()).limit(1).subquery()
        reaching = select(newest).where(newest.c.end_us > start)
    return [reaching, inside]


_SHORT_US = 40 * 86_400 * SECOND
"""Longer periods are read piece by piece: a year's rows as objects would take 30 MB for a moment."""

_DETECTED = [part for number, kind in enumerate(KINDS) for part in _parts(number, kind)]
_QUERY = union_all(*_DETECTED, marks.outline_part())
_LONG_QUERY = _QUERY.execution_options(yield_per=4096)


def outline(connection: Connection, saw_id: int, start_us: int, end_us: int) -> NDArray[np.int64]:
    """The saw's facts that overlap ``[start_us, end_us)`` and count, as `collector.outline` describes."""
    facts, no_cut, missed = marks.parted(_read(connection, saw_id, start_us, end_us))
    if not len(no_cut) and not len(missed):
        return facts
    starts, ends = np.concatenate((no_cut, missed[:, :2])).T
    low, high = int(starts.min()), int(ends.max())
    if low < start_us or high > end_us:  # a cut beyond the edge may be the one that a mark is about
        facts, _, _ = marks.parted(_read(connection, saw_id, min(low, start_us), max(high, end_us)))
    corrected = corrected_outline(facts, no_cut, missed)
    start, end = corrected[:, 1], corrected[:, 2]
    return corrected[(start < end_us) & ((end > start_us) | (start >= start_us))]


def _read(connection: Connection, saw_id: int, start_us: int, end_us: int) -> NDArray[np.int64]:
    query = _QUERY if end_us - start_us < _SHORT_US else _LONG_QUERY
    period = {"saw": saw_id, "start": start_us, "end": end_us, **marks.around(start_us, end_us)}
    return np.fromiter(chain.from_iterable(connection.execute(query, period)), np.int64).reshape(-1, 4)
