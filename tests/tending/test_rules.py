"""Each rule: when it speaks, when it is silent, and that it speaks of nothing that has not happened yet."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.answers.alert_kinds import KINDS
from api.answers.alert_rules import (
    Limits,
    SawFacts,
    current_with_open_door,
    early_door,
    full_disk,
    idling,
    maintenance,
    many_refusals,
    moved_beam,
    of_saw,
    silence,
    slow_braking,
    stuck_motor,
    wrong_clock,
)
from api.answers.braking import BACK, LIMIT
from api.answers.calendar import planned
from api.answers.occurrences import SawPast, TickEntry, occurrences
from api.answers.tasks import ByCalendar, Task, Version
from collector.facts import SECOND, Conflict, Cut, Direction, DoorVisit, Gap, Run
from tests.tending.month import DAYS, LISBON, PLAN, at

MINUTE = 60 * SECOND
WEEK = planned(PLAN, LISBON, at(2, "00:00"), at(9, "00:00"))


def saw(*facts, **more) -> SawFacts:
    return SawFacts("heron", facts, planned=WEEK, **more)


def run(start: str, end: str | None, day: int = 2) -> Run:
    return Run("heron", at(day, start), None if end is None else at(day, end), None, None, 0)


def cut(start: str, end: str | None, *, moved: bool = False, direction: Direction = Direction.VERTICAL) -> Cut:
    return Cut("heron", at(2, start), None if end is None else at(2, end), direction, 1, 1, 1, moved, None)


def spans(conditions) -> list[tuple[int, int | None]]:
    return [(c.start, c.end) for c in conditions]


class TestSilence:
    def test_a_silence_in_planned_time(self) -> None:
        gap = Gap("heron", at(2, "09:00"), at(2, "09:40"))
        assert spans(silence(saw(gap, last_reading=at(2, "11:00")), at(2, "11:00"))) == [
            (at(2, "09:00"), at(2, "09:40"))
        ]

    def test_a_saw_that_is_switched_off_over_night_is_not_silent_before_work_begins(self) -> None:
        gap = Gap("heron", at(2, "17:30"), at(3, "08:10"))
        assert spans(silence(saw(gap, last_reading=at(3, "09:00")), at(3, "09:00"))) == [
            (at(3, "08:00"), at(3, "08:10"))
        ]
        assert spans(silence(saw(last_reading=at(2, "17:30")), at(3, "07:59"))) == []

    def test_silent_now(self) -> None:
        assert spans(silence(saw(last_reading=at(2, "09:00")), at(2, "09:01"))) == [(at(2, "09:00"), None)]
        assert spans(silence(saw(last_reading=at(2, "09:00")), at(2, "09:00") + 14 * SECOND)) == []

    def test_a_box_with_a_slow_clock_is_silent_when_nothing_comes_from_it(self) -> None:
        slow = saw(last_reading=at(2, "09:00"), skew=-300 * SECOND)  # heard at 09:05
        assert spans(silence(slow, at(2, "09:05") + 14 * SECOND)) == []
        assert spans(silence(slow, at(2, "09:05") + 16 * SECOND)) == [(at(2, "09:00"), None)]

    def test_a_clock_that_is_ahead_or_more_than_an_hour_behind_excuses_no_silence(self) -> None:
        late = at(2, "09:00") + 16 * SECOND
        assert spans(silence(saw(last_reading=at(2, "09:00"), skew=60 * SECOND), late)) == [(at(2, "09:00"), None)]
        late += 3600 * SECOND
        assert spans(silence(saw(last_reading=at(2, "09:00"), skew=-90_000 * SECOND), late)) == [(at(2, "09:00"), None)]

    def test_a_box_that_was_never_heard_is_the_installers_business(self) -> None:
        assert spans(silence(saw(), at(2, "09:00"))) == []


class TestIdling:
    limit = 15 * MINUTE

    def test_a_motor_that_nobody_cuts_with(self) -> None:
        facts = saw(run("09:00", "09:40"), cut("09:02", "09:03"))
        assert spans(idling(facts, at(2, "10:00"), self.limit)) == [(at(2, "09:18"), at(2, "09:40"))]

    def test_it_is_over_with_the_next_cut(self) -> None:
        facts = saw(run("09:00", None), cut("09:20", "09:21"))
        assert spans(idling(facts, at(2, "09:30"), self.limit)) == [(at(2, "09:15"), at(2, "09:20"))]

    def test_still_idling(self) -> None:
        assert spans(idling(saw(run("09:00", None)), at(2, "09:14"), self.limit)) == []
        assert spans(idling(saw(run("09:00", None)), at(2, "09:16"), self.limit)) == [(at(2, "09:15"), None)]

    def test_a_long_cut_is_no_idling(self) -> None:
        assert spans(idling(saw(run("09:00", None), cut("09:01", None)), at(2, "11:00"), self.limit)) == []


class TestBraking:
    def stops(self, *seconds: float):
        return np.array([(at(2, "09:00") + i * MINUTE, round(s * SECOND)) for i, s in enumerate(seconds)], np.int64)

    def found(self, *seconds: float):
        return list(slow_braking(saw(stops=self.stops(*seconds)), LIMIT, BACK))

    def test_one_long_stop_is_a_bad_measurement(self) -> None:
        assert self.found(3, 3, 9, 3, 3) == []

    def test_three_whose_middle_is_above_4_s_are_a_slow_brake(self) -> None:
        (only,) = self.found(3, 4.2, 4.3, 4.1)
        assert only.start == at(2, "09:02") + round(4.3 * SECOND)
        assert (only.end, only.detail["seconds"]) == (None, 4.2)

    def test_a_deadband_keeps_it_from_fluttering(self) -> None:
        assert len(self.found(4.1, 4.1, 4.1, 3.9, 3.9, 3.9, 4.1, 4.1, 4.1)) == 1
        assert self.found(4.1, 4.1, 4.1, 3.7, 3.7)[0].end is not None


def test_a_door_opened_too_early() -> None:
    visit = DoorVisit("heron", at(2, "09:00"), at(2, "09:05"), current_seen=False, before_stop=True)
    assert spans(early_door(saw(visit))) == [(visit.start, visit.start)]
    assert spans(early_door(saw(replace(visit, before_stop=False)))) == []


def test_current_while_the_door_is_open() -> None:
    conflict = Conflict("heron", at(2, "09:00"), None, "current_while_door_open")
    assert spans(current_with_open_door(saw(conflict))) == [(conflict.start, None)]
    assert spans(current_with_open_door(saw(replace(conflict, what="cannot_start")))) == []


def test_a_motor_that_cannot_start() -> None:
    conflict = Conflict("heron", at(2, "09:00"), None, "cannot_start")
    assert spans(stuck_motor(saw(conflict))) == [(conflict.start, None)]
    assert spans(stuck_motor(saw(replace(conflict, what="current_while_door_open")))) == []


def test_a_beam_that_moved_in_a_vertical_cut() -> None:
    assert len(list(moved_beam(saw(cut("09:00", "09:01", moved=True))))) == 1
    assert list(moved_beam(saw(cut("09:00", "09:01", moved=True, direction=Direction.HORIZONTAL)))) == []


class TestLevels:
    now = at(2, "10:00")

    def clock(self, skew: int | None, held: int | None = None, **more):
        return spans(wrong_clock(saw(last_reading=self.now, skew=skew, **more), self.now, 120 * SECOND, held))

    def test_a_clock_ahead_or_behind(self) -> None:
        assert self.clock(121 * SECOND) == self.clock(-121 * SECOND) == [(self.now, None)]
        assert self.clock(119 * SECOND) == self.clock(None) == []

    def test_once_wrong_it_is_right_again_only_below_half(self) -> None:
        assert self.clock(61 * SECOND, held=5) == [(5, None)]
        assert self.clock(60 * SECOND, held=5) == []

    def test_readings_refused_for_their_time(self) -> None:
        assert self.clock(0, refused_clock=1) == [(self.now, None)]

    def test_a_box_that_is_silent_has_no_clock_to_judge(self) -> None:
        facts = saw(last_reading=at(1, "10:00"), skew=-300 * SECOND)
        assert spans(wrong_clock(facts, self.now, 120 * SECOND, None)) == []

    def test_refusals_piling_up(self) -> None:
        assert spans(many_refusals("heron", 21, self.now, 20, None)) == [(self.now, None)]
        assert spans(many_refusals("heron", 20, self.now, 20, None)) == []
        assert spans(many_refusals("heron", 6, self.now, 20, 7)) == [(7, None)]
        assert spans(many_refusals("heron", 5, self.now, 20, 7)) == []

    def test_a_disk_nearly_full(self) -> None:
        assert spans(full_disk(0.079, self.now, 0.08, None)) == [(self.now, None)]
        assert spans(full_disk(0.09, self.now, 0.08, None)) == []
        assert spans(full_disk(0.09, self.now, 0.08, 7)) == [(7, None)]


class TestMaintenance:
    task = Task("clean-down", "Clean", ("Clean.",), "operator", 10, ByCalendar("FREQ=DAILY", off="skip"))

    def found(self, now: int, *done: tuple[str, int]):
        ticks = [
            TickEntry(i, "clean-down", "heron", d, t, "Ana", "operator", "", t) for i, (d, t) in enumerate(done, 1)
        ]
        week = dt.date(2026, 3, 2), dt.date(2026, 3, 8)
        of = occurrences([Version(self.task, week[0])], "heron", DAYS, *week, SawPast(ticks=ticks))
        conditions = maintenance(saw(occurrences=of), DAYS, now, 45 * MINUTE)
        return [(c.key.kind, c.start, c.end) for c in conditions]

    def test_it_reminds_before_the_shift_ends_and_not_before(self) -> None:
        assert self.found(at(2, "16:14")) == []
        assert self.found(at(2, "16:15")) == [("task-due", at(2, "16:15"), at(3, "00:00"))]

    def test_done_in_time_nobody_is_told(self) -> None:
        assert self.found(at(2, "16:30"), ("2026-03-02", at(2, "16:00"))) == []

    def test_not_done_it_is_overdue_until_the_next_time_it_is_done(self) -> None:
        assert ("task-overdue", at(3, "00:00"), None) in self.found(at(3, "09:00"))
        done = self.found(at(3, "17:00"), ("2026-03-03", at(3, "16:00")))
        assert ("task-overdue", at(3, "00:00"), at(3, "16:00")) in done

    def test_said_the_next_morning_for_yesterday_takes_it_back(self) -> None:
        kinds = {kind for kind, *_ in self.found(at(3, "09:00"), ("2026-03-02", at(2, "16:50")))}
        assert "task-overdue" not in kinds


starts = st.lists(st.integers(at(2, "08:00"), at(6, "17:00")), max_size=8)


@given(starts, st.integers(at(2, "08:00"), at(6, "17:00")))
def test_no_rule_speaks_of_what_has_not_begun(times, now) -> None:
    known = sorted({t for t in times if t <= now})
    facts = [Gap("heron", t, t + MINUTE if t + MINUTE <= now else None) for t in known]
    facts += [Run("heron", t, None if t + MINUTE > now else t + MINUTE, None, None, 0) for t in known]
    watched = saw(*facts, last_reading=known[-1] if known else None)
    for condition in of_saw(watched, DAYS, Limits(), now, lambda _: None):
        assert condition.start <= now
        assert condition.key.kind in KINDS


@pytest.mark.parametrize("kind", KINDS.values(), ids=lambda kind: kind.name)
def test_every_kind_says_what_to_do_and_whom_it_tells(kind) -> None:
    assert kind.to_do.endswith(".")
    assert kind.roles
