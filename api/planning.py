"""The shift plan's past, kept in the book: a changed plan is a new version that holds from the day of the change."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING

from api.answers.calendar import instant, site_date
from api.answers.plans import PlanHistory, as_body, from_body

if TYPE_CHECKING:
    import datetime as dt

    from api.answers.calendar import Shift
    from api.site import Site
    from collector.book.book import Book

_KEPT_SECONDS = 30.0
"""So soon a version that another process has written is known here."""


def keep_plan(book: Book, site: Site, now: int) -> bool:
    """Write the configured plan down if it differs from the newest version; whether it did.

    The first plan ever holds for all of the past; a changed one from the beginning of the site's today on.
    """
    body = as_body(site.shifts)
    versions = book.plans()
    if versions and versions[-1].body == body:
        return False
    book.put_plan(body, instant(site_date(now, site.tz), 0, site.tz) if versions else 0)
    return True


class Planning:
    """The plan of a site with its past; safe to use from many threads.

    Where nobody keeps versions in the book, the configured plan holds for all time.
    """

    def __init__(self, book: Book, site: Site) -> None:
        self._book = book
        self._site = site
        self._lock = threading.Lock()
        self._read = float("-inf")
        self._history = PlanHistory.of((), site.shifts)

    @property
    def history(self) -> PlanHistory:
        """All versions, as of at most half a minute ago."""
        with self._lock:
            if time.monotonic() - self._read > _KEPT_SECONDS:
                zone = self._site.tz
                kept = ((site_date(v.valid_from_us, zone), from_body(v.body)) for v in self._book.plans())
                history = PlanHistory.of(kept, self._site.shifts)
                if history != self._history:  # else the days that it has looked up stay
                    self._history = history
                self._read = time.monotonic()
            return self._history

    def shifts_on(self, day: dt.date) -> tuple[Shift, ...]:
        """The shifts that begin on ``day``."""
        return self.history.shifts_on(day)
