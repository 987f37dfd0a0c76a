"""The usual day of each saw, for the wall: reads past days a few at a time, so that nobody waits for it."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from api.answers.calendar import DAY, instant
from api.answers.usual import Curve, curve, edges, passed, usual
from collector.facts import SECOND

if TYPE_CHECKING:
    import datetime as dt

    from api.answers.intervals import Spans
    from api.answers.usual import Usual
    from api.desk import Desk
    from api.sums import Sums

DAYS = 20
"""So many days with planned time are compared."""
LOOK_BACK = 45
"""No further back than this many calendar days."""
PAUSE = SECOND // 5
"""Between two days that are read: the wall is asked for often, and its answer must not wait."""


class UsualDays:
    """Curves of each saw's last days, read one at a time when somebody asks; anew every day."""

    def __init__(self, desk: Desk, sums: Sums) -> None:
        self._desk = desk
        self._sums = sums
        self._lock = threading.Lock()
        self._today: dt.date | None = None
        self._left: dict[str, list[dt.date]] = {}
        self._curves: dict[str, list[Curve]] = {}
        self._read = 0

    def of(self, saw: str, now: int) -> Usual | None:
        """The usual day by now; None while it is not known, or where there are too few days to compare with."""
        with self._lock:
            self._begin(now)
            if self._left[saw]:
                if not 0 <= now - self._read < PAUSE:
                    self._read_one(saw)
                    self._read = now
                return None
            return usual(self._curves[saw], passed(self._plan(self._desk.day(now)), now))

    def _begin(self, now: int) -> None:
        today = self._desk.day(now)
        if today == self._today:
            return
        days = [today - n * DAY for n in range(1, LOOK_BACK + 1)]
        worked = [day for day in days if len(self._plan(day))][:DAYS]
        self._today = today
        self._left = {saw: [*worked] for saw in self._desk.saws}
        self._curves = {saw: [] for saw in self._desk.saws}

    def _read_one(self, saw: str) -> None:
        day = self._left[saw].pop(0)
        first = self._desk.extent(saw, self._desk.book.now(saw)).first
        zone = self._desk.zone
        if first is None or instant(day + DAY, 0, zone) <= first:
            self._left[saw].clear()  # nothing is known of this day nor of those before it
            return
        plan = self._plan(day)
        at = edges(plan)
        self._curves[saw].append(curve(plan, at, self._sums.measures(saw, at, kept=False)))

    def _plan(self, day: dt.date) -> Spans:
        zone = self._desk.zone
        return self._desk.planned(instant(day, 0, zone), instant(day + DAY, 0, zone))
