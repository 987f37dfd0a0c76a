"""One day of the demo's shop, the same however often it is played.

A worker process imports this and little else.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.demo.shifts import moved_plan
from simulator import world
from simulator.shop import Played, simulate_day

if TYPE_CHECKING:
    import datetime as dt

    from collector.signals import Trace

SEED = 20


def played(saw: str, day: dt.date, starts: dict[dt.date, int]) -> Played:
    """A saw's day, from midnight to midnight of the shop; ``starts`` holds the days with a moved shift."""
    if day not in starts:
        return world.day_of(saw, day, SEED)
    return simulate_day(world.SAWS[saw], day, SEED, moved_plan(saw, day, SEED, starts[day]))


def trace_of(saw: str, day: dt.date, starts: dict[dt.date, int]) -> Trace:
    """The readings of a saw's day."""
    return played(saw, day, starts).trace
