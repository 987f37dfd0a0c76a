"""What is kept of messages: receipts of packs with relative times, and refusals."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import bindparam, delete, insert, select

from collector.book import schema
from collector.book.engine import reading, writing
from collector.book.entries import Receipt, RefusalEntry
from collector.book.keyed import Keyed

if TYPE_CHECKING:
    from collections.abc import Sequence


class MessageBook(Keyed):
    """Receipts and refusals; a part of `collector.book.book.Book`."""

    def put_receipts(self, receipts: Sequence[Receipt]) -> None:
        """Notes, durably, when packs with relative times were received; the newest of a saw and ``mid`` is kept."""
        t = schema.receipt
        with writing(self._engine) as connection:
            newest = {(self._id(connection, r.saw), r.mid): r for r in receipts}
            keys = [{"saw": saw_id, "of": mid} for saw_id, mid in newest]
            same = delete(t).where(t.c.saw_id == bindparam("saw"), t.c.mid == bindparam("of"))
            connection.execute(same, keys)
            rows = [
                {"saw_id": saw_id, "mid": mid, "digest": r.digest, "received_us": r.received_us}
                for (saw_id, mid), r in newest.items()
            ]
            connection.execute(insert(t), rows)

    def receipt(self, saw: str, mid: int) -> Receipt | None:
        """The receipt noted for a packet identifier."""
        t = schema.receipt
        with reading(self._engine) as connection:
            mine = (t.c.saw_id == self._find(connection, saw), t.c.mid == mid)
            row = connection.execute(select(t.c.digest, t.c.received_us).where(*mine)).one_or_none()
        return None if row is None else Receipt(saw, mid, row.digest, row.received_us)

    def refusals(self, limit: int = 100, before: int | None = None) -> list[RefusalEntry]:
        """The newest folded refusals, newest entry first; ``before``: only those with a smaller ``id`` (paging)."""
        t = schema.refusal
        columns = (
            t.c.topic,
            t.c.saw,
            t.c.code,
            t.c.reason,
            t.c.first_us,
            t.c.last_us,
            t.c.excerpt,
            t.c.occurrences,
        )
        query = select(*columns, t.c.id).order_by(t.c.id.desc()).limit(limit)
        if before is not None:
            query = query.where(t.c.id < before)
        with reading(self._engine) as connection:
            return [RefusalEntry(*row) for row in connection.execute(query)]

    def refusal_counts(self) -> dict[tuple[str, str], int]:
        """All refusals ever, by saw (``""``: none of ours) and code."""
        t = schema.refusal_count
        with reading(self._engine) as connection:
            return {(row[0], row[1]): row[2] for row in connection.execute(select(t.c.saw, t.c.code, t.c.count))}
