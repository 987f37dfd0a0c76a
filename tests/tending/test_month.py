"""The clock walks through a month of tasks done, late, missed and shut days: the numbers equal `month`'s table."""

from __future__ import annotations

import datetime as dt

from api.answers.compliance import Tally, tally, tally_by, week_of, year
from api.answers.occurrences import Occurrence, SawPast, Verdict, occurrences, standing
from tests.tending.month import DAYS, FIRST, LAST, VERSIONS, at, said

END = at(1, "00:00", month=4)


def seen(now: int) -> dict[str, dict[int, Occurrence]]:
    """Everything as it was known at a moment, by task and day of the month."""
    past = SawPast(ticks=standing(said(), now))
    found = [occurrences(versions, "heron", DAYS, FIRST, LAST, past) for versions in VERSIONS]
    return {of[0].task: {o.day.day: o for o in of} for of in found}


def verdict(task: str, day: int, now: int) -> Verdict:
    return seen(now)[task][day].verdict(now)


def test_at_the_end_of_the_month_the_counts_equal_the_table() -> None:
    month = seen(END)
    assert tally(month["clean-down"].values(), END) == Tally(in_time=18, late=1, missed=2, not_due=10)
    assert tally(month["rails"].values(), END) == Tally(in_time=2, late=1, missed=1)
    assert tally(month["squareness"].values(), END) == Tally(in_time=1)
    assert tally(month["clean-down"].values(), END).compliance == 18 / 21


def test_week_by_week_too() -> None:
    weeks = tally_by(seen(END)["clean-down"].values(), week_of, END)
    assert [(monday.day, t.in_time, t.due) for monday, t in weeks.items() if t.due] == [
        (2, 4, 5),
        (9, 4, 5),
        (16, 3, 4),
        (23, 5, 5),
        (30, 2, 2),
    ]


def test_day_by_day_every_verdict_is_the_one_of_the_table() -> None:
    shut = {1, 7, 8, 14, 15, 19, 21, 22, 28, 29}
    special = {4: Verdict.MISSED, 13: Verdict.LATE, 18: Verdict.MISSED} | dict.fromkeys(shut, Verdict.SHUT)
    got = {day: o.verdict(END) for day, o in seen(END)["clean-down"].items()}
    assert got == {day: special.get(day, Verdict.DONE) for day in range(1, 32)}


def test_while_the_clock_walks_a_day_is_ahead_then_due_then_missed() -> None:
    assert verdict("clean-down", 4, at(3, "23:59")) is Verdict.AHEAD
    assert verdict("clean-down", 4, at(4, "00:00")) is Verdict.DUE
    assert verdict("clean-down", 4, at(4, "23:59")) is Verdict.DUE
    assert verdict("clean-down", 4, at(5, "00:00")) is Verdict.MISSED


def test_said_the_next_morning_for_yesterday_is_in_time() -> None:
    assert verdict("clean-down", 10, at(11, "08:29")) is Verdict.MISSED
    assert verdict("clean-down", 10, at(11, "08:30")) is Verdict.DONE


def test_a_withdrawn_tick_counts_until_it_is_withdrawn() -> None:
    assert verdict("clean-down", 18, at(18, "17:00")) is Verdict.DONE
    assert verdict("clean-down", 18, at(18, "18:00")) is Verdict.DUE
    assert verdict("clean-down", 18, at(19, "00:00")) is Verdict.MISSED


def test_a_correction_counts_from_when_it_was_said_and_the_record_of_before_stays() -> None:
    assert verdict("clean-down", 27, at(30, "09:00")) is Verdict.LATE
    assert verdict("clean-down", 27, at(31, "09:00")) is Verdict.DONE


def test_a_weekly_task_opens_before_is_overdue_after_and_is_missed_when_its_window_closes() -> None:
    # Three working days before Friday the 20th: the 18th, 17th, 16th, for the 19th is shut.
    assert verdict("rails", 20, at(15, "23:59")) is Verdict.AHEAD
    assert verdict("rails", 20, at(16, "00:00")) is Verdict.OPEN
    assert verdict("rails", 20, at(20, "12:00")) is Verdict.DUE
    assert verdict("rails", 20, at(23, "12:00")) is Verdict.OVERDUE
    assert verdict("rails", 20, at(25, "00:00")) is Verdict.MISSED
    assert verdict("rails", 13, at(16, "12:00")) is Verdict.OVERDUE
    assert verdict("rails", 13, at(17, "11:00")) is Verdict.LATE


def test_an_occurrence_on_a_shut_day_is_due_on_the_next_working_day_under_its_own_key() -> None:
    (only,) = seen(END)["squareness"].values()
    assert (only.day, only.key) == (dt.date(2026, 3, 20), "2026-03-19")


def test_the_year_shows_each_day_by_its_worst() -> None:
    month = seen(END)
    shown = year([o for of in month.values() for o in of.values()], END)
    assert shown[dt.date(2026, 3, 20)][0] is Verdict.MISSED  # clean-down and squareness done, rails missed
    assert shown[dt.date(2026, 3, 27)][0] is Verdict.DONE
    assert shown[dt.date(2026, 3, 28)][0] is Verdict.SHUT
