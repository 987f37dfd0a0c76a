"""The demo's shifts: the ordinary one, and one moved so that the saws are at work when somebody looks.

A demo that shows two saws at rest because it was started on a Sunday night shows nothing. So on the day
of a start the shop's shift is moved, breaks and all, until the present lies well inside it; the days
before keep the ordinary shift. The screen shows the moved shift as that day's plan.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

from api.answers.calendar import Shift, ShiftPlan
from simulator import crew, world

BEHIND = 120
"""The ordinary shift will do from this many minutes after its start: there is something to see."""

AHEAD = 45
"""The saws should be at work for this many more minutes."""

LEAD = 200
"""A moved shift began this many minutes ago: some cuts are counted, and most of the shift is to come."""

CHANGED, CHANGE_AFTER = "heron", 65
"""On such a day this saw gets a fresh blade about so many minutes after the start: a change to be asked about."""

LAST_MINUTE = 24 * 60 - 1


def minutes(clock: dt.time) -> int:
    """Minutes after midnight."""
    return clock.hour * 60 + clock.minute


def _clock(minute: int) -> dt.time:
    return dt.time(minute // 60, minute % 60)


def lay(now: dt.datetime) -> int:
    """Start of the shift of a day on which somebody looks, in minutes after midnight.

    Args:
        now: the present in the shop's zone.
    """
    usual = minutes(world.SHIFT.start)
    minute = minutes(now.time())
    if now.weekday() < 5 and minute >= usual + BEHIND and _ahead(minute - usual) >= AHEAD:
        return usual
    length = minutes(world.SHIFT.end) - usual
    starts = range(LAST_MINUTE - length + 1)
    # At work, best for a while to come, best with the usual lead; on a round minute if there is a choice.
    return max(starts, key=lambda s: (min(_ahead(minute - s), AHEAD), -(abs(minute - s - LEAD) // 5), s % 5 == 0))


def _ahead(since: int) -> int:
    """Minutes of work before the next break or the end, ``since`` minutes after the start; 0 in a break."""
    shift = world.SHIFT
    edges = [
        minutes(t) - minutes(shift.start) for t in (shift.start, *(t for pair in shift.breaks for t in pair), shift.end)
    ]
    return max((b - since for a, b in zip(edges[0::2], edges[1::2], strict=True) if a <= since < b), default=0)


def crew_shift(start: int) -> crew.Shift:
    """The ordinary shift moved to begin at ``start`` minutes after midnight, for the simulator."""
    by = start - minutes(world.SHIFT.start)

    def moved(clock: dt.time) -> dt.time:
        return _clock(minutes(clock) + by)

    return crew.Shift(
        moved(world.SHIFT.start),
        moved(world.SHIFT.end),
        tuple((moved(a), moved(b)) for a, b in world.SHIFT.breaks),
    )


def plan_shift(shift: crew.Shift) -> Shift:
    """A shift of the simulator as the API's calendar knows it."""
    return Shift(minutes(shift.start), minutes(shift.end), tuple((minutes(a), minutes(b)) for a, b in shift.breaks))


def moved_plan(saw: str, day: dt.date, seed: int, start: int) -> crew.DayPlan:
    """What the crew of a saw does on a day whose shift begins at ``start`` minutes after midnight."""
    its = world.plan(saw, day, seed)
    change = its.blade_change
    if saw == CHANGED:
        change = _clock(start + CHANGE_AFTER)
    elif change is not None:
        change = _clock(start + minutes(change) - minutes(world.SHIFT.start))
    return replace(its, shift=crew_shift(start), works=True, blade_change=change)


def calendar(starts: dict[dt.date, int]) -> ShiftPlan:
    """The planned time for the API."""
    usual = (plan_shift(world.SHIFT),)
    special = {day: (plan_shift(crew_shift(start)),) for day, start in starts.items()}
    return ShiftPlan((usual,) * 5 + ((), ()), special=special)
