"""The audit trail as it is read, and entries about what changes nothing else in the book."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import or_, select

from collector.book.audit import Entry, audit, put
from collector.book.engine import reading, writing

if TYPE_CHECKING:
    from collections.abc import Iterable

    from sqlalchemy import Engine


class TrailBook:
    """The audit trail of an open book; a part of `collector.book.people.PeopleBook`."""

    _engine: Engine

    def note(self, entry: Entry) -> None:
        """Adds an entry about what changes nothing in the book."""
        with writing(self._engine, noted=False) as connection:
            put(connection, entry)

    def entries(
        self,
        *,
        before: int | None = None,
        who: str | None = None,
        limit: int = 100,
        acts: Iterable[str] = (),
        about: Iterable[str] = (),
        from_us: int | None = None,
        to_us: int | None = None,
    ) -> list[Entry]:
        """Entries of the audit trail, newest first.

        Args:
            before: older than the entry of that number.
            who: of that one alone.
            limit: at most so many.
            acts: patterns of SQL's LIKE, of which the act is like one; none: every act.
            about: texts of which one stands in the act or what was sent, in whatever case.
            from_us: not before that.
            to_us: before that.
        """
        t = audit.c
        query = select(audit).order_by(t.id.desc()).limit(limit)
        if before is not None:
            query = query.where(t.id < before)
        if who is not None:
            query = query.where(t.who == who)
        if from_us is not None:
            query = query.where(t.at_us >= from_us)
        if to_us is not None:
            query = query.where(t.at_us < to_us)
        like = [t.did.like(act) for act in acts]
        holds = [c.icontains(text, autoescape=True) for text in about for c in (t.did, t.detail, t.who, t.through)]
        query = query.where(*(or_(*any_of) for any_of in (like, holds) if any_of))
        with reading(self._engine) as connection:
            return [Entry(**{c.name: getattr(r, c.name) for c in t}) for r in connection.execute(query)]
