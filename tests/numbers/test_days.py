"""Months, nights and days of 23 and 25 hours in three zones; and a simulated week against its truth."""

from __future__ import annotations

import datetime as dt
import random
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from api.answers.calendar import DAY, Shift, ShiftPlan, bucket_edges, instant, planned, shift_work
from api.answers.intervals import total
from api.answers.measures import Measures
from api.desk import Desk
from api.keeping import Keeper
from api.site import SawTitle, Site
from api.sums import Sums
from collector.book import Book, SawEntry
from collector.detect.detector import Detector
from collector.facts import SECOND
from collector.ingest import Ingest
from collector.signals import Series, Trace, merge
from collector.trace.sqlite import SqliteTrace
from dashboard.demo.shifts import plan_shift
from simulator import world
from simulator.truth import use

HOUR = 3600 * SECOND
NIGHT = Shift.parse("22:00-06:00", ["02:00-02:30"])

# Changes of the clock as the IANA time zone database has them (2026): forward, back.
CHANGES = [
    ("Europe/Lisbon", dt.date(2026, 3, 29), dt.date(2026, 10, 25)),
    ("America/New_York", dt.date(2026, 3, 8), dt.date(2026, 11, 1)),
    ("Australia/Adelaide", dt.date(2026, 10, 4), dt.date(2026, 4, 5)),
]


@pytest.mark.parametrize(("name", "short", "long"), CHANGES)
def test_a_month_adds_up_through_its_short_or_long_day(name, short, long):
    zone = ZoneInfo(name)
    for day, hours in ((short, 23), (long, 25), (short + DAY, 24)):
        start, end = instant(day, 0, zone), instant(day + DAY, 0, zone)
        assert end - start == hours * HOUR
        assert len(bucket_edges(start, end, "hour", zone)) == hours + 1
        month = day.replace(day=1)
        following = (month + 31 * DAY).replace(day=1)
        edges = bucket_edges(instant(month, 0, zone), instant(following, 0, zone), "day", zone)
        assert len(edges) - 1 == (following - month).days
        assert bucket_edges(int(edges[0]), int(edges[-1]), "month", zone).tolist() == [edges[0], edges[-1]]


@pytest.mark.parametrize(("name", "short", "long"), CHANGES)
def test_a_night_shift_through_the_change_has_the_hours_that_pass(name, short, long):
    # 22:00 to 06:00 less half an hour of break: 7 h 30 min, an hour less in spring and an hour more in autumn. In
    # spring the break 02:00-02:30 may lie in the hour that the clock skips; it is taken at its start then.
    zone = ZoneInfo(name)
    plan = ShiftPlan(((NIGHT,),) * 7)
    for day, lasts in ((short, 6.5), (long, 8.5), (short + 2 * DAY, 7.5)):
        work = shift_work(day - DAY, NIGHT, zone)
        assert total(work) == lasts * HOUR
        noon = instant(day, 12 * 60, zone)
        assert total(planned(plan, zone, noon - 24 * HOUR, noon)) == lasts * HOUR


def test_months_of_a_year_begin_on_their_first_in_site_time():
    zone = ZoneInfo("Australia/Adelaide")
    edges = bucket_edges(instant(dt.date(2025, 11, 1), 0, zone), instant(dt.date(2026, 11, 1), 0, zone), "month", zone)
    starts = [dt.datetime.fromtimestamp(e / SECOND, zone) for e in edges.tolist()]
    assert [(s.month, s.day, s.hour) for s in starts] == [(m, 1, 0) for m in (11, 12, *range(1, 12))]


class Clock:
    now = 0

    def time(self) -> float:
        return self.now / 1e6


def without_some_packs(trace: Trace, share: float, dice: random.Random) -> Trace:
    """The readings that arrive where each pack of a second is lost with a probability, switches' reports too."""
    seconds = np.unique(np.concatenate([s.t // SECOND for s in trace.series()]))
    gone = seconds[np.array([dice.random() < share for _ in seconds])]
    kept = (~np.isin(s.t // SECOND, gone) for s in trace.series())
    return Trace(*(Series(s.t[k], s.v[k]) for s, k in zip(trace.series(), kept, strict=True)))


@pytest.mark.parametrize(("saw", "seed"), [("heron", 1000), ("plover", 1001)])
def test_a_week_with_one_pack_in_twenty_lost_is_within_half_a_point_of_the_truth(tmp_path, saw, seed):
    days = [world.day_of(saw, dt.date(2026, 3, 2) + i * DAY, seed) for i in range(7)]
    zone, clock = world.ZONE, Clock()
    start, end = (instant(dt.date(2026, 3, 2) + i * DAY, 0, zone) for i in (0, 7))
    plan = ShiftPlan.weekdays(plan_shift(world.SHIFT))
    book, trace = Book(f"sqlite:///{tmp_path / 'book.db'}"), SqliteTrace(tmp_path / "trace.db")
    book.open_saws([SawEntry(saw)])
    sums = Sums(Desk(Site("s", "S", zone.key, (SawTitle(saw, saw),), plan), book, trace, clock))
    try:
        heard = without_some_packs(merge([d.trace for d in days]), 0.05, random.Random(seed))
        Ingest(trace, book, [SawEntry(saw)], None, lambda: clock.now, make=Detector).absorb(saw, heard)
        clock.now = end + 3 * HOUR
        Keeper(sums).round()
        week = Measures.of(sums.measures(saw, np.array([start, end]))[0]).utilisation(start, end)
        truth = use([d.facts for d in days], [tuple(row) for row in planned(plan, zone, start, end).tolist()])
        assert week.coverage > 0.95
        assert abs(week.allocation_efficiency - truth.allocation_efficiency) < 0.005
        assert abs(week.availability - truth.availability) < 0.005
    finally:
        book.close()
        trace.close()
