"""The shift calendar in site time."""

from __future__ import annotations

import datetime as dt
import itertools
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.answers.calendar import Shift, ShiftPlan, bucket_edges, day_bounds, instant, planned
from api.answers.intervals import total
from collector.facts import SECOND, iso, parse_iso

HOUR = 3600 * SECOND
ZONES = ["Europe/Lisbon", "America/New_York", "Australia/Sydney"]
# Days on which the clock is put forward and back in 2026, by the zones' published rules: EU, last Sunday of
# March and October at 01:00 UTC; US, second Sunday of March and first of November at 02:00; New South Wales,
# first Sunday of October at 02:00 and first of April at 03:00.
SHORT_DAY = {"Europe/Lisbon": (3, 29), "America/New_York": (3, 8), "Australia/Sydney": (10, 4)}
LONG_DAY = {"Europe/Lisbon": (10, 25), "America/New_York": (11, 1), "Australia/Sydney": (4, 5)}


def day(month, date):
    return dt.date(2026, month, date)


def bounds(date, zone):
    return instant(date, 0, zone), instant(date + dt.timedelta(days=1), 0, zone)


def texts(spans):
    return [(iso(a)[:16], iso(b)[:16]) for a, b in spans.tolist()]


@pytest.mark.parametrize("name", ZONES)
def test_a_day_has_23_hours_in_spring_25_in_autumn_and_24_otherwise(name):
    zone = ZoneInfo(name)
    for date, hours in [(day(*SHORT_DAY[name]), 23), (day(*LONG_DAY[name]), 25), (day(6, 10), 24)]:
        start, end = bounds(date, zone)
        assert end - start == hours * HOUR
        assert day_bounds(start, zone) == day_bounds(end - 1, zone) == (start, end)
        edges = bucket_edges(start, end, "hour", zone)
        assert len(edges) == hours + 1
        assert {b - a for a, b in itertools.pairwise(edges)} == {HOUR}


@pytest.mark.parametrize("name", ZONES)
def test_a_week_with_such_a_day_has_167_or_169_hours(name):
    zone = ZoneInfo(name)
    for date, hours in [(day(*SHORT_DAY[name]), 167), (day(*LONG_DAY[name]), 169)]:
        monday = date - dt.timedelta(days=date.weekday())
        start, end = instant(monday, 0, zone), instant(monday + dt.timedelta(days=7), 0, zone)
        edges = bucket_edges(start, end, "week", zone)
        assert edges.tolist() == [start, end]
        assert end - start == hours * HOUR
        assert len(bucket_edges(start, end, "day", zone)) == 8


@pytest.mark.parametrize("name", ZONES)
def test_a_night_shift_lasts_an_hour_less_in_spring_and_an_hour_more_in_autumn(name):
    zone = ZoneInfo(name)
    plan = ShiftPlan(((Shift.parse("22:00-06:00"),),) * 7)
    for date, hours in [(day(*SHORT_DAY[name]), 7), (day(*LONG_DAY[name]), 9), (day(6, 10), 8)]:
        evening = instant(date - dt.timedelta(days=1), 12 * 60, zone)
        noon = instant(date, 12 * 60, zone)
        assert total(planned(plan, zone, evening, noon)) == hours * HOUR


def test_half_an_hour_of_summer_time_is_right_too():
    zone = ZoneInfo("Australia/Lord_Howe")  # its clocks move by 30 minutes
    for date, hours in [(day(10, 4), 23.5), (day(4, 5), 24.5)]:
        start, end = bounds(date, zone)
        assert end - start == hours * HOUR
        edges = bucket_edges(start, end, "hour", zone)
        assert (edges[0], edges[-1]) == (start, end)
        assert all(0 < b - a <= 1.5 * HOUR for a, b in itertools.pairwise(edges))


def test_a_day_whose_midnight_does_not_exist_begins_when_the_clock_moves():
    zone = ZoneInfo("Africa/Cairo")  # on 24 April 2026 the clock goes from 00:00 to 01:00
    start, end = bounds(day(4, 24), zone)
    assert (iso(start), end - start) == ("2026-04-23T22:00:00.000Z", 23 * HOUR)


def test_breaks_are_cut_out_of_a_shift():
    plan = ShiftPlan.weekdays(Shift.parse("07:00-15:30", ["10:00-10:15", "12:30-13:00"]))
    monday = bounds(day(3, 2), ZoneInfo("Europe/Lisbon"))
    found = planned(plan, ZoneInfo("Europe/Lisbon"), *monday)
    assert texts(found) == [
        ("2026-03-02T07:00", "2026-03-02T10:00"),
        ("2026-03-02T10:15", "2026-03-02T12:30"),
        ("2026-03-02T13:00", "2026-03-02T15:30"),
    ]
    # 8 h 30 min of presence less 45 min of breaks: 7 h 45 min
    assert total(found) == 7.75 * HOUR


def test_two_shifts_a_day_share_no_time_twice():
    plan = ShiftPlan.weekdays(Shift.parse("06:00-14:15", ["09:00-09:15"]), Shift.parse("14:00-22:00"))
    found = planned(plan, ZoneInfo("Europe/Lisbon"), *bounds(day(3, 2), ZoneInfo("Europe/Lisbon")))
    assert total(found) == 15.75 * HOUR  # 06:00 to 22:00 less a quarter of an hour


def test_a_night_shift_belongs_to_the_day_on_which_it_begins():
    plan = ShiftPlan(((Shift.parse("22:00-06:00", ["02:00-02:30"]),), *((),) * 6))  # Monday night only
    zone = ZoneInfo("Europe/Lisbon")
    assert texts(planned(plan, zone, *bounds(day(3, 2), zone))) == [("2026-03-02T22:00", "2026-03-03T00:00")]
    assert texts(planned(plan, zone, *bounds(day(3, 3), zone))) == [
        ("2026-03-03T00:00", "2026-03-03T02:00"),
        ("2026-03-03T02:30", "2026-03-03T06:00"),
    ]


def test_on_a_closed_day_no_shift_begins_but_the_night_before_ends():
    plan = ShiftPlan(((Shift.parse("22:00-06:00"),),) * 7, frozenset([day(3, 3)]))
    zone = ZoneInfo("Europe/Lisbon")
    assert texts(planned(plan, zone, *bounds(day(3, 3), zone))) == [("2026-03-03T00:00", "2026-03-03T06:00")]


def test_a_special_day_has_shifts_of_its_own():
    plan = ShiftPlan(special={day(3, 7): (Shift.parse("08:00-12:00"),)})
    zone = ZoneInfo("Europe/Lisbon")
    assert texts(planned(plan, zone, *bounds(day(3, 7), zone))) == [("2026-03-07T08:00", "2026-03-07T12:00")]


def test_the_site_time_counts_and_not_utc():
    plan = ShiftPlan.weekdays(Shift.parse("07:00-15:00"))
    zone = ZoneInfo("America/New_York")
    assert texts(planned(plan, zone, *bounds(day(7, 1), zone))) == [("2026-07-01T11:00", "2026-07-01T19:00")]


@pytest.mark.parametrize(
    ("text", "breaks", "says"),
    [
        ("7-15", [], "7"),
        ("07:00", [], "07:00-15:30"),
        ("25:00-26:00", [], "25:00"),
        ("07:60-08:00", [], "07:60"),
        ("07:00-15:00", ["15:30-16:00"], "15:30-16:00"),
        ("22:00-06:00", ["07:00-07:30"], "does not lie"),
    ],
)
def test_a_wrong_shift_is_refused_with_what_is_wrong(text, breaks, says):
    with pytest.raises(ValueError, match=says):
        Shift.parse(text, breaks)


def test_midnight_to_midnight_is_a_whole_day():
    assert Shift.parse("00:00-24:00") == Shift.parse("00:00-00:00") == Shift(0, 1440)


def test_a_period_that_begins_within_a_bucket_begins_with_a_part_of_it():
    zone = ZoneInfo("Europe/Lisbon")
    start, end = parse_iso("2026-03-02T10:20:00Z"), parse_iso("2026-03-02T12:00:00Z")
    edges = [iso(e)[11:16] for e in bucket_edges(start, end, "hour", zone).tolist()]
    assert edges == ["10:20", "11:00", "12:00"]


moments = st.integers(parse_iso("2024-01-01T00:00:00Z"), parse_iso("2027-12-31T00:00:00Z"))


@given(moments, st.integers(1, 40 * 24), st.sampled_from(["hour", "day", "week"]), st.sampled_from(ZONES))
def test_buckets_divide_any_period_without_holes(start, hours, by, name):
    edges = bucket_edges(start, start + hours * HOUR, by, ZoneInfo(name)).tolist()
    assert (edges[0], edges[-1]) == (start, start + hours * HOUR)
    assert all(a < b for a, b in itertools.pairwise(edges))


@given(moments, st.integers(1, 200), st.integers(1, 200), st.sampled_from(ZONES))
def test_planned_time_of_two_neighbouring_periods_adds_up(start, first, second, name):
    zone = ZoneInfo(name)
    plan = ShiftPlan(((Shift.parse("22:00-06:00", ["02:00-02:30"]), Shift.parse("07:00-15:00")),) * 7)
    middle, end = start + first * HOUR, start + (first + second) * HOUR
    whole = total(planned(plan, zone, start, end))
    assert whole == total(planned(plan, zone, start, middle)) + total(planned(plan, zone, middle, end))
