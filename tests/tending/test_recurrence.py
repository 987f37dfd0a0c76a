"""Recurrence rules against RFC 5545, and what the site's days make of them."""

from __future__ import annotations

import datetime as dt
from itertools import islice
from zoneinfo import ZoneInfo

import pytest

from api.answers.calendar import Shift, ShiftPlan
from api.answers.recurrence import RuleError, check_daily, dates, parse
from api.answers.workdays import Workdays
from tests.tending.rfc5545 import EXAMPLES, NEW_YORK, WITHIN_A_DAY, listed

LISBON = ZoneInfo("Europe/Lisbon")
SEPTEMBER_2 = dt.datetime.fromisoformat("19970902T0900")


@pytest.mark.parametrize(("rule", "start", "expected"), EXAMPLES)
def test_examples_of_rfc_5545_section_3_8_5_3(rule: str, start: str, expected: str) -> None:
    begin = dt.datetime.fromisoformat(f"{start}T0900")
    wanted = listed(expected)
    endless = "COUNT" not in rule and "UNTIL" not in rule
    found = list(islice(parse(rule, begin, ZoneInfo(NEW_YORK)), len(wanted) if endless else 1000))
    assert [f"{m:%Y-%m-%d}" for m in found] == wanted
    assert {m.time() for m in found} == {dt.time(9)}, "local time, whatever the season"


@pytest.mark.parametrize(("rule", "expected"), WITHIN_A_DAY)
def test_examples_of_rfc_5545_that_repeat_within_a_day(rule: str, expected: str) -> None:
    wanted = expected.split()
    found = islice(parse(rule, SEPTEMBER_2, ZoneInfo(NEW_YORK)), len(wanted))
    assert [f"{m:%H:%M}" for m in found] == wanted


def test_the_weekly_example_crosses_the_clock_change_at_nine_local() -> None:
    zone = ZoneInfo(NEW_YORK)
    found = list(parse("FREQ=WEEKLY;COUNT=10", SEPTEMBER_2, zone))
    utc = [m.replace(tzinfo=zone).astimezone(dt.UTC).hour for m in found]
    assert utc == [13] * 8 + [14] * 2, "09:00 EDT until October 21, 09:00 EST from October 28 (RFC 5545)"


@pytest.mark.parametrize(
    ("rule", "word"),
    [
        ("", "no part"),
        ("every friday", "no part"),
        ("FREQ=WEEKLY;FREQ=DAILY", "twice"),
        ("BYDAY=FR", "how often"),
        ("FREQ=SOMETIMES", "no recurrence rule|at most once a day"),
        ("FREQ=WEEKLY;BYDAY=XX", "no recurrence rule"),
        ("FREQ=DAILY;UNTIL=20260230", "no date that exists"),
        ("FREQ=DAILY;UNTIL=soon", "no date"),
        ("FREQ=DAILY;COUNT=3;UNTIL=20270101", "not both"),
        ("FREQ=HOURLY", "at most once a day"),
        ("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", "never"),
        ("FREQ=YEARLY;BYEASTER=0", "no part"),
    ],
)
def test_what_is_no_rule_is_refused_with_a_reason(rule: str, word: str) -> None:
    with pytest.raises(RuleError, match=word):
        check_daily(rule)


def test_a_leap_day_task_is_due_in_leap_years_only() -> None:
    found = dates("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29", dt.date(2026, 1, 1), dt.date(2026, 1, 1), dt.date(2033, 1, 1))
    assert [d.isoformat() for d in found] == ["2028-02-29", "2032-02-29"]


class TestWorkdays:
    plan = ShiftPlan.weekdays(Shift.parse("08:00-17:00"), closed=[dt.date(2026, 4, 3), dt.date(2026, 4, 6)])
    days = Workdays(plan, LISBON)

    def test_an_occurrence_on_a_shut_day_moves_to_the_next_working_day(self) -> None:
        good_friday = dt.date(2026, 4, 3)  # and Easter Monday is shut too
        assert self.days.place(good_friday, "next") == dt.date(2026, 4, 7)
        assert self.days.place(good_friday, "previous") == dt.date(2026, 4, 2)
        assert self.days.place(good_friday, "skip") is None

    def test_steps_count_working_days(self) -> None:
        assert self.days.step(dt.date(2026, 4, 2), 1) == dt.date(2026, 4, 7)
        assert self.days.step(dt.date(2026, 4, 7), -2) == dt.date(2026, 4, 1)
        assert self.days.step(dt.date(2026, 4, 4), 0) == dt.date(2026, 4, 7)

    def test_a_plan_without_shifts_has_no_working_day(self) -> None:
        assert Workdays(ShiftPlan(), LISBON).step(dt.date(2026, 4, 2), 1) is None

    def test_a_day_with_a_night_shift_is_over_when_the_shift_is(self) -> None:
        nights = Workdays(ShiftPlan.weekdays(Shift.parse("22:00-06:00")), LISBON)
        monday = dt.date(2026, 3, 2)
        assert nights.end(monday) - nights.begin(monday) == 30 * 3_600_000_000

    def test_a_day_of_the_clock_change_has_23_or_25_hours(self) -> None:
        for day, hours in (("2026-03-29", 23), ("2026-10-25", 25)):
            date = dt.date.fromisoformat(day)
            assert self.days.end(date) - self.days.begin(date) == hours * 3_600_000_000
