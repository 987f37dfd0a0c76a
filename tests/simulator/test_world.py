"""The demo's world keeps the shop's hours and is plausible from day to day."""

from __future__ import annotations

import datetime as dt
from itertools import islice, pairwise

import pytest

from collector.facts import SECOND
from simulator import world
from simulator.crew import local_us
from simulator.truth import use

MONDAY = dt.date(2026, 3, 2)


@pytest.mark.parametrize(
    ("day", "hours"),
    [(dt.date(2026, 3, 28), 24), (dt.date(2026, 3, 29), 23), (dt.date(2026, 10, 25), 25), (dt.date(2026, 7, 1), 24)],
)
def test_a_day_is_as_long_as_the_zone_has_it(day: dt.date, hours: int) -> None:
    played = world.day_of("heron", day, 1)
    assert played.end_us - played.start_us == hours * 3600 * SECOND
    local = dt.datetime.fromtimestamp(played.start_us / SECOND, world.ZONE)
    assert (local.date(), local.time()) == (day, dt.time())
    after = world.day_of("heron", day + dt.timedelta(days=1), 1)
    assert after.start_us == played.end_us


def test_work_starts_at_eight_by_the_shops_clock_in_winter_and_in_summer() -> None:
    for day in (dt.date(2026, 3, 27), dt.date(2026, 3, 30)):
        first = world.day_of("heron", day, 1).facts.runs[0].start
        local = dt.datetime.fromtimestamp(first / SECOND, world.ZONE)
        assert dt.time(8, 0) < local.time() < dt.time(8, 15)


def test_history_is_the_same_wherever_it_begins() -> None:
    long = list(world.history("plover", MONDAY, 3, 5))
    short = next(iter(world.history("plover", MONDAY + dt.timedelta(days=2), 1, 5)))
    assert long[2].trace.same(short.trace)
    assert long[2].truth == short.truth


def test_saws_seeds_and_days_differ() -> None:
    traces = [
        world.day_of(s, d, n).trace for s in world.SAWS for d in (MONDAY, MONDAY + dt.timedelta(1)) for n in (1, 2)
    ]
    assert len({len(t.motor) for t in traces}) == len(traces)


def test_three_weeks_are_plausible() -> None:
    share: dict[str, list[float]] = {"heron": [], "plover": []}
    for saw in world.SAWS:
        for k, played in enumerate(world.history(saw, MONDAY, 21, 1)):
            day = MONDAY + dt.timedelta(days=k)
            planned = world.plan(saw, day, 1).planned(day)
            if not planned:
                assert not played.facts.runs
                continue
            assert 150 <= len(played.facts.cuts) <= 470
            share[saw].append(use([played.facts], planned).allocation_efficiency)
            seconds = [(c.cut.end - c.cut.start) / SECOND for c in played.facts.cuts]
            assert min(seconds) >= 1
            assert max(seconds) < 40
            assert sum(2 <= s <= 30 for s in seconds) > 0.8 * len(seconds)
            vertical = sum(c.cut.direction == "vertical" for c in played.facts.cuts) / len(seconds)
            assert 0.4 < vertical < 0.9
    for shares in share.values():
        assert min(shares) > 0.33
        assert max(shares) < 0.78
        assert max(shares) - min(shares) > 0.1


def test_nobody_works_in_the_breaks_or_at_night() -> None:
    for played in world.history("heron", MONDAY, 5, 3):
        day = dt.datetime.fromtimestamp(played.start_us / SECOND, world.ZONE).date()
        spans = world.SHIFT.spans(day, world.ZONE)
        for run in played.facts.runs:
            assert any(a <= run.start < b and run.end < b + 300 * SECOND for a, b in spans)


def test_the_blade_is_changed_when_the_fittings_say_so() -> None:
    for saw in world.SAWS:
        fitted = world.fittings(saw, MONDAY, 28, 4)
        assert {blade for _, blade in fitted} <= set(world.BLADES)
        assert all(a[1] != b[1] for a, b in pairwise(fitted))
        visits = [
            v.start
            for played in world.history(saw, MONDAY, 28, 4)
            for v, cause in zip(played.facts.doors, played.facts.door_causes, strict=True)
            if cause.startswith("blade change")
        ]
        assert len(visits) == len(fitted) - 1 > 1
        for visit, (when, _) in zip(visits, fitted[1:], strict=True):
            assert 0 <= visit - when < 2 * 3600 * SECOND


def test_a_blade_asks_for_more_from_fitting_to_fitting() -> None:
    ages = [
        world.plan("heron", MONDAY + dt.timedelta(days=k), 4).blade.dull
        for k in range(28)
        if (MONDAY + dt.timedelta(k)).weekday() < 5
    ]
    assert min(ages) < 1.1
    assert max(ages) > 1.5


def test_who_works_at_a_weekend_finds_the_blade_that_monday_finds() -> None:
    """A demo started at a weekend plays it with the shift moved: a blade changed on Friday is fresh then."""
    for saw in world.SAWS:
        days = [MONDAY + dt.timedelta(days=k) for k in range(84)]
        changed_on_friday = [d for d in days if d.weekday() == 4 and world.plan(saw, d, 5).blade_change is not None]
        assert changed_on_friday
        for friday in changed_on_friday:
            assert world.plan(saw, friday + dt.timedelta(days=1), 5).blade.dull < 1.1
        for day in days:
            if day.weekday() > 4:
                monday = day + dt.timedelta(days=7 - day.weekday())
                assert world.plan(saw, day, 5).blade == world.plan(saw, monday, 5).blade
                assert world.plan(saw, day, 5).blade_change is None


@pytest.mark.parametrize("moment", ["2026-03-07T22:00", "2026-03-04T05:00", "2026-03-04T11:00", "2026-03-04T12:40"])
def test_a_demo_started_at_any_time_finds_saws_at_work(moment: str) -> None:
    start = local_us(dt.date.fromisoformat(moment[:10]), dt.time.fromisoformat(moment[11:]), world.ZONE)
    quarter_of_an_hour = [d for d in islice(world.stream(2, start), 4000) if d.at_us < start + 900 * SECOND]
    assert all(d.at_us >= start for d in quarter_of_an_hour)
    assert [d.at_us for d in quarter_of_an_hour] == sorted(d.at_us for d in quarter_of_an_hour)
    assert {d.saw.name for d in quarter_of_an_hour} == {"heron", "plover"}
    assert max(int(d.trace.motor.v.max(initial=0)) for d in quarter_of_an_hour) > 2000


def test_the_stream_goes_on_over_midnight() -> None:
    start = local_us(MONDAY, dt.time(23, 59), world.ZONE)
    flow = islice(world.stream(2, start), 400)
    assert max(d.at_us for d in flow) > start + 600 * SECOND
