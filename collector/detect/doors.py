"""What happened at the blade door: visits, and current while it was open."""

from __future__ import annotations

from typing import TYPE_CHECKING

from collector.facts import Conflict, DoorVisit

if TYPE_CHECKING:
    from collections.abc import Iterable

    from collector.detect.motor import MotorRun
    from collector.detect.settings import DetectSettings

CURRENT_WHILE_OPEN = "current_while_door_open"


def visit_facts(
    saw: str, opened: int, closed: int | None, runs: Iterable[MotorRun], now: int, settings: DetectSettings
) -> list[DoorVisit | Conflict]:
    """The visit, and a conflict for each stretch of motor or brake current while the door was open.

    Args:
        saw: the saw's name.
        opened: µs at which the door opened.
        closed: µs at which it closed; None: it is open.
        runs: the runs that could have to do with it.
        now: µs of the newest reading.
        settings: the detector's settings.
    """
    until = now if closed is None else closed
    conflicts: list[Conflict] = []
    before_stop = False
    for run in runs:
        current_end = now if run.end is None else max(run.end, run.flowed)
        stop = None if run.end is None else run.end + (settings.blade_stop_us if run.stop_us is None else run.stop_us)
        before_stop |= run.start < opened and (stop is None or opened < stop)
        start, end = max(opened, run.start), min(until, current_end)
        if end - start >= settings.door_touch_us:
            going_on = closed is None and run.end is None
            conflicts.append(Conflict(saw, start, None if going_on else end, CURRENT_WHILE_OPEN))
    return [DoorVisit(saw, opened, closed, bool(conflicts), before_stop), *conflicts]
