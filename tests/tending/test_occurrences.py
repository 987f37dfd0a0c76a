"""Tasks by use, by what the saw shows, checked by the current itself, edited, and over a whole leap year."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.answers.calendar import DAY, Shift, ShiftPlan, instant
from api.answers.occurrences import SawPast, TickEntry, Verdict, occurrences
from api.answers.starter import starter_tasks
from api.answers.tasks import ByCalendar, BySign, ByUse, Task, TaskError, Version, as_body, from_body
from api.answers.use import Usage, stood_still, usage
from api.answers.workdays import Workdays
from collector.facts import SECOND
from collector.outline import OPEN
from tests.tending.month import DAYS, LISBON, at

MARCH = dt.date(2026, 3, 1), dt.date(2026, 3, 31)
HOUR = 3600 * SECOND


def task(when, **more) -> Task:
    return Task("drive", "Belt looked at", ("Look.",), "maintenance", 30, when, **more)


def tick(done: int, key: str = "", name: str = "drive", number: int = 1) -> TickEntry:
    return TickEntry(number, name, "heron", key, done, "Rui", "maintenance", "", done)


def hours_a_day(hours: float, days: range) -> Usage:
    """The motor runs so many hours on each day, all told at 16:00."""
    t = [at(day, "16:00") for day in days]
    return Usage(np.array(t, np.int64), np.cumsum(np.full(len(t), hours)))


class TestByUse:
    """Every 10 motor hours, 2 h a day on each day from the 2nd: full on the 6th; due two working days later."""

    when = ByUse("motor_hours", 10, warn=0.8, within_days=2, grace_days=1)
    past = SawPast(use={"motor_hours": hours_a_day(2, range(2, 31))})

    def found(self, *ticks: TickEntry):
        past = replace(self.past, ticks=ticks)
        return occurrences([Version(task(self.when), MARCH[0])], "heron", DAYS, *MARCH, past)

    def test_it_opens_at_the_warning_and_is_due_two_working_days_after_the_amount(self) -> None:
        first = self.found()[0]
        assert first.opens == at(5, "16:00")
        assert first.day == dt.date(2026, 3, 10)  # Friday the 6th, Monday, Tuesday
        assert first.verdict(at(5, "16:00")) is Verdict.OPEN
        assert first.verdict(at(10, "12:00")) is Verdict.DUE
        assert first.verdict(at(11, "12:00")) is Verdict.OVERDUE
        assert first.verdict(at(12, "00:00")) is Verdict.MISSED

    def test_done_it_counts_on_from_when_it_was_done(self) -> None:
        found = self.found(tick(at(9, "10:00")))
        assert found[0].verdict(at(31, "00:00")) is Verdict.DONE
        assert found[1].opens == at(12, "16:00")  # 14 h by the 8th, 8 h more on the 12th
        assert found[0].tick == 1

    def test_missed_it_counts_on_from_where_it_was_full(self) -> None:
        keys = [o.key for o in self.found()]
        assert keys[:3] == ["use-2026-03-06", "use-2026-03-11", "use-2026-03-16"]

    def test_done_before_it_opens_starts_the_count_again_and_is_no_occurrence(self) -> None:
        found = self.found(tick(at(3, "17:00")))
        assert found[0].key == "use-2026-03-08"
        assert found[0].done is None

    def test_near_its_amount_it_is_open_with_no_date(self) -> None:
        past = SawPast(use={"motor_hours": hours_a_day(2, range(2, 6))})
        (only,) = occurrences([Version(task(self.when), MARCH[0])], "heron", DAYS, *MARCH, past)
        assert only.verdict(at(31, "12:00")) is Verdict.OPEN


def test_a_sign_makes_a_task_due_until_it_is_done() -> None:
    past = SawPast(signs={"braking-slow": [(at(4, "10:00"), None)]}, ticks=[tick(at(6, "09:00"))])
    version = Version(task(BySign("braking-slow", within_days=1, grace_days=2)), MARCH[0])
    (only,) = occurrences([version], "heron", DAYS, *MARCH, past)
    assert (only.key, only.day) == ("sign-2026-03-04", dt.date(2026, 3, 5))
    assert only.verdict(at(5, "10:00")) is Verdict.DUE
    assert only.verdict(at(6, "08:00")) is Verdict.OVERDUE
    assert only.verdict(at(6, "09:00")) is Verdict.LATE


class TestBraking:
    """Checked by the current: three stops whose middle is within 4 s (common practice, no source)."""

    weekly = task(ByCalendar("FREQ=WEEKLY;BYDAY=MO", grace_days=2), check="braking")

    def found(self, *seconds: float):
        stops = np.array([(at(2, "09:00") + i * HOUR, s * SECOND) for i, s in enumerate(seconds)], np.int64)
        past = SawPast(stops=stops.reshape(-1, 2))
        return occurrences([Version(self.weekly, MARCH[0])], "heron", DAYS, *MARCH, past)[0]

    def test_three_good_stops_tick_it_by_themselves(self) -> None:
        done = self.found(2.9, 3.0, 2.8)
        assert done.verdict(at(3, "00:00")) is Verdict.DONE
        assert done.tick is None

    def test_slow_stops_leave_it_to_a_person(self) -> None:
        assert self.found(4.4, 4.6, 4.5).verdict(at(3, "12:00")) is Verdict.OVERDUE

    def test_a_brake_that_cannot_be_seen_leaves_it_to_a_person(self) -> None:
        assert self.found().verdict(at(2, "12:00")) is Verdict.DUE


class TestEdits:
    def test_an_edit_changes_what_comes_and_not_what_was(self) -> None:
        daily, weekly = task(ByCalendar("FREQ=DAILY", off="skip")), task(ByCalendar("FREQ=WEEKLY;BYDAY=FR"))
        versions = [Version(daily, MARCH[0]), Version(weekly, dt.date(2026, 3, 16))]
        found = [o for o in occurrences(versions, "heron", DAYS, *MARCH, SawPast()) if o.not_due is None]
        assert [o.day.day for o in found] == [2, 3, 4, 5, 6, 9, 10, 11, 12, 13, 20, 27]

    def test_switched_off_it_is_due_no_more(self) -> None:
        daily = task(ByCalendar("FREQ=DAILY", off="skip"))
        versions = [Version(daily, MARCH[0]), Version(replace(daily, active=False), dt.date(2026, 3, 4))]
        assert [o.day.day for o in occurrences(versions, "heron", DAYS, *MARCH, SawPast())] == [1, 2, 3]

    def test_a_task_of_other_saws_is_not_due_here(self) -> None:
        version = Version(task(ByCalendar("FREQ=DAILY"), saws=("plover",)), MARCH[0])
        assert occurrences([version], "heron", DAYS, *MARCH, SawPast()) == []


def test_a_day_on_which_the_saw_is_known_to_have_stood_still_asks_for_no_clean_down() -> None:
    daily = task(ByCalendar("FREQ=DAILY", off="skip", if_used=True))
    past = SawPast(stood=frozenset({dt.date(2026, 3, 3)}))
    found = {o.day.day: o for o in occurrences([Version(daily, MARCH[0])], "heron", DAYS, *MARCH, past)}
    assert found[3].verdict(at(4, "12:00")) is Verdict.STOOD
    assert found[4].verdict(at(5, "12:00")) is Verdict.MISSED


def test_unknown_is_not_still_a_day_without_data_asks_for_its_clean_down() -> None:
    day = np.array([[at(3, "08:00"), at(3, "17:00")]])
    nothing = np.empty((0, 2), np.int64)
    date = dt.date(2026, 3, 3)
    assert stood_still(nothing, day, day, LISBON, date, date) == {date}
    assert stood_still(nothing, nothing, day, LISBON, date, date) == frozenset()
    half = np.array([[at(3, "08:00"), at(3, "12:00")]])
    assert stood_still(nothing, half, day, LISBON, date, date) == frozenset()
    ran = np.array([[at(3, "09:00"), at(3, "09:01")]])
    assert stood_still(ran, day, day, LISBON, date, date) == frozenset()


def test_use_is_counted_from_facts() -> None:
    runs = np.array([(at(2, "09:00"), at(2, "10:30"))])
    curves = usage(runs, np.array([(at(2, "09:00"), at(2, "09:02")), (at(2, "10:00"), OPEN)]))
    assert curves["motor_hours"].at(at(2, "11:00")) == pytest.approx(1.5)
    assert curves["cutting_minutes"].at(at(2, "11:00")) == pytest.approx(2)
    assert curves["cuts"].at(at(2, "11:00")) == 1  # the one that is going on counts when it has ended
    assert curves["cuts"].reach(2) is None


class TestYears:
    """A leap year with both clock changes: 2028, Lisbon, Monday to Friday."""

    days = Workdays(ShiftPlan.weekdays(Shift.parse("08:00-17:00")), LISBON)
    first, last = dt.date(2028, 1, 1), dt.date(2028, 12, 31)

    def year(self, rule: str, **how):
        version = Version(task(ByCalendar(rule, **how)), self.first)
        return occurrences([version], "heron", self.days, self.first, self.last, SawPast())

    def test_every_working_day_is_due_once_and_every_other_day_is_shut(self) -> None:
        found = self.year("FREQ=DAILY", off="skip")
        assert len(found) == 366
        # 2028 begins on a Saturday: 53 Saturdays and 53 Sundays (counted in a calendar), so 260 working days.
        assert sum(o.not_due is None for o in found) == 260
        assert dt.date(2028, 2, 29) in {o.day for o in found}

    def test_windows_meet_without_hole_or_overlap_through_both_clock_changes(self) -> None:
        found = self.year("FREQ=DAILY", off="skip")
        assert all(a.due == b.opens for a, b in pairwise(found))
        lengths = {o.day: (o.due - o.opens) // HOUR for o in found}
        assert {day: h for day, h in lengths.items() if h != 24} == {
            dt.date(2028, 3, 26): 23,
            dt.date(2028, 10, 29): 25,
        }

    def test_a_monthly_task_comes_twelve_times_also_where_its_day_is_a_weekend(self) -> None:
        found = self.year("FREQ=MONTHLY;BYMONTHDAY=1")
        assert len(found) == 12
        assert found[0].day == dt.date(2028, 1, 3)  # 1 January 2028 is a Saturday
        assert all(self.days.works(o.day) for o in found)

    def test_two_occurrences_moved_to_one_day_are_one(self) -> None:
        assert len(self.year("FREQ=DAILY", off="next")) == 260


rules = st.sampled_from(["FREQ=DAILY", "FREQ=WEEKLY;BYDAY=FR", "FREQ=MONTHLY;BYMONTHDAY=31", "FREQ=MONTHLY;BYDAY=-1MO"])
edges = st.dates(dt.date(2026, 1, 1), dt.date(2027, 12, 31))


@given(rules, st.sampled_from(["skip", "next", "previous"]), edges, st.integers(0, 80), st.integers(0, 5))
def test_whatever_part_of_the_calendar_is_asked_for_the_answer_is_that_part(rule, off, first, length, lead) -> None:
    version = Version(task(ByCalendar(rule, off=off, lead_days=lead)), dt.date(2026, 1, 1))
    last = first + length * DAY
    whole = occurrences([version], "heron", DAYS, dt.date(2026, 1, 1), dt.date(2028, 4, 1), SawPast())
    part = occurrences([version], "heron", DAYS, first, last, SawPast())
    assert part == [o for o in whole if first <= o.day <= last]


def test_a_task_survives_being_written_down() -> None:
    for known in starter_tasks():
        assert from_body(as_body(known)) == known


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"title": ""}, "title"),
        ({"steps": []}, "steps"),
        ({"role": "king"}, "role"),
        ({"minutes": 0}, "minutes"),
        ({"when": {"by": "moon"}}, "when"),
        ({"when": {"by": "calendar", "rule": "FREQ=HOURLY"}}, "at most once a day"),
        ({"when": {"by": "use", "measure": "miles", "every": 3}}, "measure"),
        ({"when": {"by": "use", "measure": "cuts", "every": 0}}, "every"),
        ({"when": {"by": "sign", "sign": "noise"}}, "sign"),
        ({"colour": "green"}, "not known"),
        ({"name": "Clean Down"}, "name"),
    ],
)
def test_a_task_that_cannot_be_is_refused_with_the_part_that_is_wrong(change, word) -> None:
    with pytest.raises(TaskError, match=word):
        from_body(as_body(starter_tasks()[0]) | change)


def test_every_starter_interval_is_marked_common_practice() -> None:
    assert {known.basis for known in starter_tasks()} == {"common practice, no source"}
    assert instant(MARCH[0], 0, LISBON) == at(1, "00:00")
