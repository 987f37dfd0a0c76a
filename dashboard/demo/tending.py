"""The demo's maintenance: what its people did and did not do in eight weeks, and the alerts that came of it.

The clean-down is done on the days on which the simulator's crew cleans, and is missed on the others. The rest is
thrown with dice that fall the same way every time. The rules then look at each past day once, with nobody to tell.
"""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

from api.alert_rows import alert_of, event_rows, row_of
from api.answers.alert_kinds import KINDS
from api.answers.alerts import AlertState, Priority, acknowledge
from api.answers.calendar import DAY, instant, site_date
from api.answers.telling import Channel, Policy
from api.delivery import AppriseSender
from api.desk import Desk
from api.tending import Tending
from api.watch import Watch
from collector.book.alerts import AlertWrite
from collector.book.maintenance import TickRow
from collector.facts import SECOND
from dashboard.demo.days import SEED
from simulator import world

if TYPE_CHECKING:
    import datetime as dt

    from api.answers.occurrences import Occurrence
    from api.desk import TraceReader
    from api.site import Site
    from collector.book.book import Book

MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
_ROLE = {"operator": "operator", "maintenance": "maintenance lead"}
_LATE, _MISSED = 0.08, 0.07

POLICY = Policy(tuple(Channel(f"broker-{role}", role, "mqtt:") for role in ("operator", "maintenance", "owner")))
"""In the demo everybody is told through the broker inside the program: subscribe to kerfbook/tern-point/alerts."""


class _PastClock:
    """A present that is past."""

    def __init__(self) -> None:
        self.now = 0

    def time(self) -> float:
        return self.now / SECOND


def enter_tending(site: Site, book: Book, trace: TraceReader, first: dt.date, now: int) -> None:
    """Enters what the demo's people said since the last start, or in its whole past.

    Args:
        site: the demo's.
        book: its book, the facts in it.
        trace: its trace.
        first: the first day of its past.
        now: the present; later work is for whoever looks at the demo.
    """
    clock = _PastClock()
    clock.now = now
    tending = Tending(Desk(site, book, trace, clock))
    fresh = not tending.versions()
    tending.begin(instant(first, 0, tending.desk.zone))
    for saw in tending.desk.saws:
        _work(tending, saw, first, now)
    if fresh:
        _look_back(tending, clock, first, now)


def _work(tending: Tending, saw: str, first: dt.date, now: int) -> None:
    tasks = tending.tasks()
    today = site_date(now, tending.desk.zone)
    for o in tending.occurrences(saw, first, today, now):
        if o.not_due is not None or o.done is not None:
            continue
        done = _done(o, tending)
        if done is None or done > now:
            continue
        who = _ROLE[tasks[o.task].role]
        token = f"demo-{saw}-{o.task}-{o.key}"
        tending.book.add_tick(TickRow(o.task, saw, o.key, done, who, tasks[o.task].role, "", done, token=token))


def _done(o: Occurrence, tending: Tending) -> int | None:
    """When the demo's people do an occurrence; None: never."""
    dice = random.Random(f"{SEED} {o.task} {o.saw} {o.key}")  # noqa: S311 (a story, no secret)
    end = tending.days.shift_end(o.day)
    if o.task == "clean-down":
        cleaned = world.plan(o.saw, o.day, SEED).clean
        return end - dice.randrange(6, 12) * MINUTE if cleaned else None
    luck = dice.random()
    if luck < _MISSED:
        return None
    if luck < _MISSED + _LATE and o.closes > o.due:
        return o.due + 9 * HOUR + dice.randrange(120) * MINUTE
    return end - dice.randrange(30, 400) * MINUTE


def _look_back(tending: Tending, clock: _PastClock, first: dt.date, now: int) -> None:
    """A look at the end of each working day; most alerts are acknowledged the next morning."""
    watch = Watch(tending, Policy(), AppriseSender(), "")
    day = first
    while day < site_date(now, tending.desk.zone):
        if tending.days.works(day) or day == first:
            begins = instant(day, 0, tending.desk.zone)
            for at in (begins + 7 * HOUR, tending.days.shift_end(day) + 10 * MINUTE):
                clock.now = min(at, now)
                watch.look()
            _acknowledge(watch, clock.now, day)
        day += DAY


def _acknowledge(watch: Watch, now: int, day: dt.date) -> None:
    writes = []
    for row in watch.book.standing():
        alert = alert_of(row)
        dice = random.Random(f"{SEED} {row.kind} {row.saw} {day}")  # noqa: S311
        slow = KINDS[row.kind].priority is Priority.LOW
        if alert.state in {AlertState.UNACKNOWLEDGED, AlertState.RETURNED} and dice.random() < (0.7 if slow else 0.9):
            change = acknowledge(alert, "maintenance lead", now)
            writes.append(AlertWrite(row_of(change.alert, row.version, row.told_us), event_rows(change.happenings)))
    watch.book.write(writes)
