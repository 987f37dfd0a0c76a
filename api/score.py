"""How the detector does by people's marks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.answers.calendar import day_bounds
from collector.book.marks import Marks
from collector.facts import Cut
from collector.marks import Score, score

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from collector.book.book import Book


def score_of(book: Book, saw: str, start: int, end: int, zone: ZoneInfo) -> tuple[list[int], Score]:
    """Detected cuts against marks, on the days of the site on which somebody marked something.

    Only there somebody looked; what nobody marked on such a day is taken as right. Elsewhere nothing is known.

    Args:
        book: the book.
        saw: the saw.
        start: start of the period, microseconds UTC.
        end: its end.
        zone: the site's zone.

    Returns:
        the starts of those days, and the score over all of them.
    """
    said = Marks(book).of(saw, start, end)
    days = sorted({day_bounds(m.start, zone) for m in said})
    right = wrong = missed = 0
    for day_start, day_end in days:
        low, high = max(day_start, start), min(day_end, end)
        cuts = [c for c in book.detected(saw, low, high, ["cut"]) if isinstance(c, Cut) and c.start >= low]
        found = score(cuts, [m for m in said if low <= m.start < high])
        right, wrong, missed = right + found.right, wrong + found.wrong, missed + found.missed
    return [a for a, _ in days], Score(right, wrong, missed)
