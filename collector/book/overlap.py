"""Rows of facts that overlap a period."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Table, or_, select

from collector.book.rows import TABLES
from collector.facts import Conflict


def overlapping(connection: Connection, table: Table, saw_id: int, start: int, end: int) -> list[Any]:
    """Rows of the saw that overlap ``[start, end)``; each query reads little more than what it returns."""
    t = table.c
    inside = select(table).where(t.saw_id == saw_id, t.start_us >= start, t.start_us < end)
    rows = list(connection.execute(inside))
    before = select(table).where(t.saw_id == saw_id, t.start_us < start)
    if table is TABLES[Conflict.kind]:  # several can be on at once, and they are few
        before = before.where(or_(t.end_us.is_(None), t.end_us > start))
    else:  # facts of one kind follow one another: only the last before can reach into the period
        before = before.order_by(t.start_us.desc()).limit(1)
    return [row for row in connection.execute(before) if row.end_us is None or row.end_us > start] + rows
