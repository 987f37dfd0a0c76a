"""Shift plans as they changed over time, so that a change of the plan does not rewrite the past.

Each version holds from a day on. What a version says of every week, shifts and breaks, holds from that day until the
next version. What it says of a single date (closed, or shifts of its own) holds for that date, also where it is
said afterwards: somebody enters yesterday's overtime today. Of several versions the newest that mentions the date has
it. A date that is no longer mentioned, because somebody tidied the file up, stays what it was when it had come.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Self

from api.answers.calendar import Shift, ShiftPlan

if TYPE_CHECKING:
    from collections.abc import Iterable


@dataclass(frozen=True, slots=True)
class PlanHistory:
    """Versions of a plan: the first day of each and the plan, in order; before the first one the first one holds.

    Example:
        >>> old, new = (ShiftPlan.weekdays(Shift.parse(s)) for s in ("07:00-15:00", "06:00-14:00"))
        >>> history = PlanHistory(((dt.date.min, old), (dt.date(2026, 3, 4), new)))
        >>> [history.shifts_on(dt.date(2026, 3, d))[0].clock for d in (3, 4)]
        ['07:00-15:00', '06:00-14:00']
    """

    versions: tuple[tuple[dt.date, ShiftPlan], ...]
    _days: dict[dt.date, tuple[Shift, ...]] = field(init=False, repr=False, compare=False, default_factory=dict)

    @classmethod
    def of(cls, versions: Iterable[tuple[dt.date, ShiftPlan]], otherwise: ShiftPlan) -> Self:
        """A history; ``otherwise`` is the plan of all time where there is no version."""
        ordered = tuple(sorted(versions, key=lambda v: v[0]))
        return cls(ordered or ((dt.date.min, otherwise),))

    def shifts_on(self, day: dt.date) -> tuple[Shift, ...]:
        """The shifts that begin on ``day``, by the plan that was in force then and what was said of the date since."""
        found = self._days.get(day)
        if found is None:
            found = self._days[day] = self._find(day)
        return found

    def _find(self, day: dt.date) -> tuple[Shift, ...]:
        begun = sum(since <= day for since, _ in self.versions)
        for _, plan in reversed(self.versions[max(begun, 1) :]):
            if day in plan.closed or day in plan.special:
                return plan.shifts_on(day)
        return self.versions[max(begun, 1) - 1][1].shifts_on(day)


def as_body(plan: ShiftPlan) -> dict[str, Any]:
    """A plan as the JSON value that the book keeps; times are minutes after midnight."""
    return {
        "week": [[_shift(shift) for shift in day] for day in plan.week],
        "closed": sorted(day.isoformat() for day in plan.closed),
        "special": {day.isoformat(): [_shift(s) for s in shifts] for day, shifts in sorted(plan.special.items())},
    }


def from_body(body: Any) -> ShiftPlan:
    """A plan from such a value.

    Raises:
        KeyError, TypeError, ValueError: it is none.
    """
    return ShiftPlan(
        tuple(tuple(_of(s) for s in day) for day in body["week"]),
        frozenset(dt.date.fromisoformat(day) for day in body["closed"]),
        {dt.date.fromisoformat(day): tuple(_of(s) for s in shifts) for day, shifts in body["special"].items()},
    )


def _shift(shift: Shift) -> dict[str, Any]:
    return {"start": shift.start, "end": shift.end, "breaks": [list(b) for b in shift.breaks], "name": shift.name}


def _of(body: Any) -> Shift:
    return Shift(body["start"], body["end"], tuple((a, b) for a, b in body["breaks"]), body["name"])
