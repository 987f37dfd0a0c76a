"""How much a saw was used, as curves that only rise: motor hours, cuts, cutting minutes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from api.answers.calendar import DAY, day_bounds, instant
from api.answers.intervals import clip, intersect, total
from collector.facts import SECOND
from collector.outline import OPEN

if TYPE_CHECKING:
    import datetime as dt
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from api.answers.intervals import Spans

_ENOUGH = 0.95
"""Share of a day's planned time that must have data before the saw is said to have stood still all day."""


@dataclass(frozen=True, slots=True)
class Usage:
    """A curve in steps.

    Attributes:
        t: times of the steps, int64 microseconds UTC, increasing.
        total: what has come together by then, float64.
    """

    t: NDArray[np.int64]
    total: NDArray[np.float64]

    def at(self, t: int) -> float:
        """What had come together up to and including ``t``."""
        i = int(np.searchsorted(self.t, t, side="right"))
        return float(self.total[i - 1]) if i else 0.0

    def reach(self, amount: float) -> int | None:
        """When ``amount`` was reached; None: not yet."""
        # A sum of floats may fall short of the amount that it stands for by its last digits.
        i = int(np.searchsorted(self.total, amount * (1 - 1e-12), side="left"))
        return int(self.t[i]) if i < len(self.t) else None


UNUSED = Usage(np.empty(0, np.int64), np.empty(0, np.float64))


def usage(runs: NDArray[np.int64], cuts: NDArray[np.int64]) -> dict[str, Usage]:
    """The curves of a saw's runs and cuts, rows (start, end); what is still going on counts once it has ended."""
    runs, cuts = (rows[rows[:, 1] < OPEN] for rows in (runs, cuts))
    return {
        "motor_hours": Usage(runs[:, 1], np.cumsum((runs[:, 1] - runs[:, 0]) / (3600 * SECOND))),
        "cutting_minutes": Usage(cuts[:, 1], np.cumsum((cuts[:, 1] - cuts[:, 0]) / (60 * SECOND))),
        "cuts": Usage(cuts[:, 1], np.arange(1, len(cuts) + 1, dtype=np.float64)),
    }


def stood_still(
    runs: Spans, known: Spans, planned: Spans, zone: ZoneInfo, first: dt.date, last: dt.date
) -> frozenset[dt.date]:
    """Days from ``first`` to ``last`` with planned time on which data show that the motor never ran."""
    days: set[dt.date] = set()
    covered = intersect(planned, known)
    day = first
    while day <= last:
        start, end = day_bounds(instant(day, 0, zone), zone)
        wanted = total(clip(planned, start, end))
        i = int(np.searchsorted(runs[:, 1], start, side="right"))  # the first run that ends after the day began
        ran = i < len(runs) and int(runs[i, 0]) < end
        if wanted and not ran and total(clip(covered, start, end)) >= _ENOUGH * wanted:
            days.add(day)
        day += DAY
    return frozenset(days)
