"""A changed plan leaves the past alone; what is said of a date holds for the date."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.answers.calendar import DAY, Shift, ShiftPlan, instant
from api.answers.periods import Period
from api.answers.plans import PlanHistory, as_body, from_body
from api.planning import Planning, keep_plan
from api.site import SawTitle, Site
from collector.book import Book

MARCH = dt.date(2026, 3, 2)
EARLY, LATE = Shift.parse("06:00-14:00", ["09:00-09:30"], "early"), Shift.parse("14:00-22:00")
NIGHT = Shift.parse("22:00-06:00", ["02:00-02:30"])


def site(plan: ShiftPlan) -> Site:
    return Site("tern-point", "Tern Point", "Europe/Lisbon", (SawTitle("heron", "Heron"),), plan)


def test_a_new_weekly_plan_holds_from_its_day_on():
    history = PlanHistory.of(
        [(MARCH + 2 * DAY, ShiftPlan.weekdays(EARLY, LATE)), (dt.date(1970, 1, 1), ShiftPlan.weekdays(EARLY))],
        ShiftPlan(),
    )
    assert [len(history.shifts_on(MARCH + i * DAY)) for i in range(4)] == [1, 1, 2, 2]


def test_overtime_and_a_holiday_said_afterwards_hold_for_their_dates():
    usual = ShiftPlan.weekdays(EARLY)
    saturday = MARCH + 5 * DAY
    said = ShiftPlan(usual.week, frozenset({MARCH}), {saturday: (LATE,)})
    history = PlanHistory.of([(MARCH, usual), (MARCH + 10 * DAY, said)], usual)
    assert history.shifts_on(MARCH) == ()
    assert history.shifts_on(saturday) == (LATE,)
    assert history.shifts_on(MARCH + DAY) == (EARLY,)


def test_a_holiday_that_was_tidied_away_stays_and_one_that_was_to_come_does_not():
    usual = ShiftPlan.weekdays(EARLY)
    first = ShiftPlan(usual.week, frozenset({MARCH, MARCH + 7 * DAY}))
    history = PlanHistory.of([(MARCH - DAY, first), (MARCH + 3 * DAY, usual)], usual)
    assert history.shifts_on(MARCH) == ()
    assert history.shifts_on(MARCH + 7 * DAY) == (EARLY,)


shifts = st.sampled_from([EARLY, LATE, NIGHT])
plans = st.builds(
    ShiftPlan,
    st.tuples(*[st.lists(shifts, max_size=2).map(tuple)] * 7),
    st.frozensets(st.dates(MARCH, MARCH + 9 * DAY), max_size=3),
    st.dictionaries(st.dates(MARCH, MARCH + 9 * DAY), st.lists(shifts, max_size=2).map(tuple), max_size=3),
)


@given(plans)
def test_a_plan_comes_back_from_its_json(plan):
    assert from_body(as_body(plan)) == plan


@given(plans, plans, st.integers(0, 9))
def test_no_later_version_changes_a_past_day_that_it_does_not_name(old, new, k):
    cut = MARCH + k * DAY
    before, after = PlanHistory.of([(MARCH, old)], old), PlanHistory.of([(MARCH, old), (cut, new)], old)
    for i in range(k):
        day = MARCH + i * DAY
        if day not in new.closed and day not in new.special:
            assert after.shifts_on(day) == before.shifts_on(day)
    for i in range(k, 12):
        assert after.shifts_on(MARCH + i * DAY) == new.shifts_on(MARCH + i * DAY)


def test_the_book_keeps_each_version_from_the_site_day_on_which_it_was_first_seen(tmp_path):
    with Book(f"sqlite:///{tmp_path}/book.db") as book:
        old, new = site(ShiftPlan.weekdays(EARLY)), site(ShiftPlan.weekdays(EARLY, LATE))
        noon = instant(MARCH, 12 * 60, old.tz)
        assert keep_plan(book, old, noon)
        assert not keep_plan(book, old, noon + 10)
        assert keep_plan(book, new, instant(MARCH + 3 * DAY, 12 * 60, old.tz))
        planning = Planning(book, new)
        assert [len(planning.shifts_on(MARCH + i * DAY)) for i in (-300, 2, 3)] == [1, 1, 2]


@pytest.mark.parametrize("text", ["2026-W10", "2026-03", "2026", "2026-03-02", "2026-03-02..2026-03-08"])
def test_a_period_is_written_as_it_was_read(text):
    assert str(Period.parse(text)) == text


def test_weeks_begin_on_monday_and_the_first_week_of_a_year_is_the_one_with_its_first_thursday():
    # ISO 8601: 2026-01-01 is a Thursday, so 2026-W01 is 29 December 2025 to 4 January 2026; 2020 has a week 53.
    assert Period.parse("2026-W01").first == dt.date(2025, 12, 29)
    assert str(Period.parse("2020-W53").moved(1)) == "2021-W01"


@pytest.mark.parametrize(
    "text",
    ["2026-W54", "2026-13", "2026-03-08..2026-03-02", "last week", "1999", "2026-02-30", "2001-01-01..2020-01-01"],
)
def test_what_is_no_period_is_refused_with_the_way_to_write_one(text):
    with pytest.raises(ValueError, match=r"no period.*write a week as"):
        Period.parse(text)


@given(
    st.dates(dt.date(2001, 1, 1), dt.date(2098, 1, 1)),
    st.sampled_from(["week", "month", "year", "days"]),
    st.integers(1, 14),
)
def test_a_period_and_its_neighbours_follow_one_another(day, kind, n):
    period = {
        "week": Period.week_of(day), "month": Period.parse(f"{day:%Y-%m}"), "year": Period.parse(f"{day.year:04d}"),
        "days": Period(day, day + n * DAY, "days"),
    }[kind]  # fmt: skip
    assert period.moved(1).first == period.last + DAY
    assert period.moved(-1).last == period.first - DAY
    assert period.moved(1).moved(-1) == period
