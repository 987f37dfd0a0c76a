"""The usual day by now: days compared by planned time, the middle of them, and only days with data."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.answers.calendar import instant
from api.answers.cuts import cuts_by_hour
from api.answers.intervals import spans
from api.answers.measures import NAMES
from api.answers.usual import STEP, curve, edges, passed, usual
from api.desk import Desk
from api.memory import size_of
from api.sums import Sums
from api.usual import PAUSE, UsualDays
from collector.book.entries import NowEntry, SawCommit
from collector.facts import SECOND, State
from collector.outline import KINDS
from tests.api.conftest import LISBON, MINUTE, cut, run

HOUR = 60 * MINUTE


def day_of(in_use: float, known: float = 1.0, cuts: int = 8, hours: int = 8):
    """A day that was in use for the same share throughout, with as many cuts in each hour."""
    plan = spans([(0, 4 * HOUR), (5 * HOUR, (hours + 1) * HOUR)])
    at = edges(plan)
    rows = np.zeros((len(at) - 1, len(NAMES)), np.int64)
    grown = np.diff([passed(plan, int(t)) for t in at])
    rows[:, NAMES.index("known")] = grown * known
    rows[:, NAMES.index("in_use")] = grown * known * in_use
    rows[:, NAMES.index("vertical")] = np.rint(grown / HOUR * cuts)
    return curve(plan, at, rows)


def test_a_days_curve_keeps_its_four_series_and_not_all_measures() -> None:
    day = day_of(0.5)
    assert size_of(day) < 2 * 4 * 8 * len(day.passed)


def test_it_is_the_middle_day_by_as_much_planned_time() -> None:
    found = usual([day_of(0.2, cuts=4), day_of(0.5, cuts=12), day_of(0.9, cuts=8)], 2 * HOUR)
    assert found is not None
    assert found.allocation_efficiency == pytest.approx(0.5)
    assert (found.cuts, found.days) == (16, 3)


def test_a_day_mostly_without_data_is_not_compared() -> None:
    assert usual([day_of(0.5), day_of(0.5), day_of(0.5, known=0.4)], 2 * HOUR) is None


def test_a_shorter_day_is_not_compared_beyond_its_end() -> None:
    days = [day_of(0.5), day_of(0.5), day_of(0.5, hours=6)]
    assert usual(days, 6 * HOUR) is not None
    assert usual(days, 7 * HOUR) is None


def test_before_the_day_begins_nothing_is_usual() -> None:
    assert usual([day_of(0.5)] * 3, 0) is None


bounds = st.lists(st.integers(1, 12 * 60), min_size=2, max_size=8, unique=True).filter(lambda x: len(x) % 2 == 0)


@given(bounds)
def test_edges_grow_by_the_step_in_planned_time_and_end_with_the_plan(minutes) -> None:
    a = sorted(minutes)
    plan = spans([(a[i] * MINUTE, a[i + 1] * MINUTE) for i in range(0, len(a), 2)])
    at = edges(plan)
    assert (np.diff(at) > 0).all()
    grown = [passed(plan, int(t)) for t in at]
    assert grown[0] == 0
    assert grown[-1] == passed(plan, 2**60)
    assert (np.diff(grown[:-1]) == STEP).all()


def test_cuts_by_hour_are_all_cuts_of_the_day() -> None:
    kind = KINDS.index("cut")
    rows = np.array([(kind, m * MINUTE, m * MINUTE + 9, 0) for m in (-3, 5, 59, 61, 200)], np.int64)
    assert cuts_by_hour(rows, 0) == [2, 1, 0, 1]
    assert cuts_by_hour(rows[:0], 0) == []


def test_a_week_of_like_mornings_is_the_usual_one_of_the_next(empty_shop) -> None:
    """Each morning the motor runs for an hour and four cuts are made; the plan begins at seven."""
    shop = empty_shop
    facts = []
    monday = dt.date(2026, 3, 2)
    for n in range(5):
        seven = instant(monday + dt.timedelta(days=n), 7 * 60, LISBON)
        facts += [
            run(seven, seven + HOUR, 4),
            *(cut(seven + i * 10 * MINUTE, seven + i * 10 * MINUTE + SECOND) for i in range(4)),
        ]
    now = instant(monday + dt.timedelta(days=7), 9 * 60, LISBON)
    entry = NowEntry("heron", now, State.STANDBY, now, 0, None, None, True, 0)
    shop.book.commit([SawCommit("heron", facts[0].start, None, facts, now=entry)])
    shop.clock.now = now
    desk = Desk(shop.site, shop.book, shop.trace, shop.clock)
    days = UsualDays(desk, Sums(desk))
    asked = [days.of("heron", now + i * PAUSE) for i in range(30)]
    assert asked[0] is None  # one day is read with each question
    found = asked[-1]
    assert found is not None
    assert found.days == 5
    assert found.allocation_efficiency == pytest.approx(0.5, abs=0.02)
    assert found.cuts == pytest.approx(4, abs=0.1)
    assert days.of("plover", now + 30 * PAUSE) is None
