"""Working days of the site: which days have a shift, when a working day ends, and how to step over shut ones."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from api.answers.calendar import DAY, MINUTES_A_DAY, instant

if TYPE_CHECKING:
    import datetime as dt
    from zoneinfo import ZoneInfo

    from api.answers.calendar import Shifts

OffDays = Literal["skip", "next", "previous"]
"""What becomes of an occurrence on a day without a shift: it is not due, or moves to a neighbouring working day."""

FURTHEST = 370
"""Days without any shift after which no working day is looked for any more."""


class Workdays:
    """The working days of a plan in the site's zone."""

    def __init__(self, plan: Shifts, zone: ZoneInfo) -> None:
        self._plan = plan
        self.zone = zone

    def works(self, day: dt.date) -> bool:
        """Whether a shift begins on the day."""
        return bool(self._plan.shifts_on(day))

    def step(self, day: dt.date, days: int) -> dt.date | None:
        """The working day that many working days after (negative: before) ``day``; 0: the day itself or the next.

        None where the plan has no such day within a year.
        """
        forward = days >= 0
        left = abs(days)
        if left == 0:
            left = 0 if self.works(day) else 1
        for _ in range(FURTHEST):
            if left == 0:
                return day
            day += DAY if forward else -DAY
            left -= self.works(day)
        return day if left == 0 else None

    def place(self, day: dt.date, off: OffDays) -> dt.date | None:
        """The working day on which an occurrence of ``day`` is to be done; None: it is not due."""
        if self.works(day):
            return day
        return None if off == "skip" else self.step(day, 1 if off == "next" else -1)

    def begin(self, day: dt.date) -> int:
        """When a day begins, microseconds UTC: at its midnight."""
        return instant(day, 0, self.zone)

    def end(self, day: dt.date) -> int:
        """When a working day is over: at midnight, or when a night shift that began on it ends."""
        shifts = self._plan.shifts_on(day)
        return instant(day, max([MINUTES_A_DAY, *(shift.end for shift in shifts)]), self.zone)

    def shift_end(self, day: dt.date) -> int:
        """When the last shift that begins on a day ends; the day's end where there is none."""
        shifts = self._plan.shifts_on(day)
        return instant(day, max((shift.end for shift in shifts), default=MINUTES_A_DAY), self.zone)
