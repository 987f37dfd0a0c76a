"""The currents of a saw's cuts as numbers, for reckoning with many."""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING

import numpy as np
from sqlalchemy import bindparam, func, literal, select

from collector.book import marks
from collector.book.engine import reading
from collector.book.schema import cut, saw
from collector.facts import Cut
from collector.outline import OPEN

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from collector.book.book import Book

_t = cut.c
_QUERY = (
    select(_t.start_us, func.coalesce(_t.end_us, literal(OPEN)), _t.mean_ma, _t.idle_ma)
    .where(_t.saw_id == bindparam("saw"), _t.start_us >= bindparam("start"), _t.start_us < bindparam("end"))
    .order_by(_t.start_us)
)


def loads(book: Book, name: str, start_us: int, end_us: int) -> NDArray[np.int64]:
    """Cuts that count and started in ``[start_us, end_us)``, in order.

    Returns:
        shape (n, 4): start and end [µs UTC; `collector.outline.OPEN` where it is going on], mean and idle current [mA].
    """
    with reading(book.engine) as connection:
        saw_id = connection.execute(select(saw.c.id).where(saw.c.name == name)).scalar()
        if saw_id is None:
            return np.empty((0, 4), np.int64)
        if not marks.standing(connection, saw_id, name, start_us, end_us):
            rows = connection.execute(_QUERY, {"saw": saw_id, "start": start_us, "end": end_us})
            return np.fromiter(chain.from_iterable(rows), np.int64).reshape(-1, 4)
    found = [f for f in book.facts(name, start_us, end_us, [Cut.kind]) if isinstance(f, Cut) and f.start >= start_us]
    return np.array(
        [(f.start, OPEN if f.end is None else f.end, f.mean_ma, f.idle_ma) for f in found], np.int64
    ).reshape(-1, 4)
