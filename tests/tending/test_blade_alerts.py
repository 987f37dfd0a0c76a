"""Blades near a limit, at it, cutting heavier, changes that nobody confirmed: when people are told, and when it ends."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.answers.blade_alerts import crossings, limit_conditions, unconfirmed
from api.answers.candidates import Opening
from api.answers.fittings import Fitting
from api.answers.service_limits import Limits, spent, use_of
from api.blade_watch import BladeWatch, wear_sign
from api.rack import Rack
from api.watch import Watch
from collector.book.alerts import AlertBook
from collector.book.blade_entries import BladeSheet, ChangeSaid, SheetSaid
from collector.facts import SECOND, Cut, Direction, DoorVisit
from collector.outline import OPEN
from tests.blades.said import Sayer
from tests.tending.month import at
from tests.tending.shop import MINUTE, POLICY

LIMITS = Limits(cuts=10, minutes=100, metres=1000)
SITS = Fitting("heron", 0, OPEN, "TP-03", 1)


def cuts(*seconds: float, every: float = 60.0, first: float = 0.0) -> np.ndarray:
    starts = [int((first + i * every) * SECOND) for i in range(len(seconds))]
    return np.array([(a, a + int(s * SECOND)) for a, s in zip(starts, seconds, strict=True)], np.int64).reshape(-1, 2)


def found(rows: np.ndarray, limits: Limits = LIMITS, sits: Fitting = SITS):
    return [
        (c.key.kind, c.start // SECOND, c.end and c.end // SECOND)
        for c in limit_conditions(sits, rows, limits, 12, 0.9)
    ]


class TestLimits:
    def test_the_ninth_of_ten_cuts_is_near_and_the_tenth_is_the_limit(self) -> None:
        assert found(cuts(*[5] * 12)) == [
            ("blade-limit-near", 8 * 60 + 5, 9 * 60 + 5),
            ("blade-limit", 9 * 60 + 5, None),
        ]

    def test_minutes_or_estimated_metres_may_come_first(self) -> None:
        _, limit = crossings(cuts(*[30] * 8), Limits(100, 2, 1000), 12, (0.9, 1.0))
        assert limit == (3 * 60 * SECOND + 30 * SECOND, "minutes", 2, 2)
        _, limit = crossings(cuts(*[30] * 8), Limits(100, 200, 12), 12, (0.9, 1.0))
        assert limit is not None
        assert limit[1:] == ("metres", 12, 12)

    def test_a_blade_that_comes_off_has_no_limit_on_that_saw_any_more(self) -> None:
        off = Fitting("heron", 0, 600 * SECOND, "TP-03", 1)
        assert found(cuts(*[5] * 12), sits=off)[-1] == ("blade-limit", 545, 600)

    def test_on_the_next_saw_the_alert_begins_with_its_fitting(self) -> None:
        later = Fitting("plover", 5000 * SECOND, OPEN, "TP-03", 2)
        assert found(cuts(*[5] * 12), sits=later) == [("blade-limit", 5000, None)]

    def test_a_cut_that_still_runs_does_not_count_yet(self) -> None:
        rows = cuts(*[5] * 10)
        rows[-1, 1] = OPEN
        assert [kind for kind, *_ in found(rows)] == ["blade-limit-near"]

    @given(
        st.lists(st.integers(1, 90), min_size=1, max_size=40),
        st.integers(1, 30),
        st.integers(1, 20),
        st.integers(1, 200),
        st.floats(0.1, 1.0),
    )
    @settings(max_examples=150, deadline=None)
    def test_the_crossing_is_the_first_cut_after_which_that_share_is_spent(
        self, seconds, n, minutes, metres, share
    ) -> None:
        limits, rows = Limits(n, minutes, metres), cuts(*seconds, every=100)
        expected = next(
            (
                int(rows[i, 1])
                for i in range(len(rows))
                if spent(use_of(i + 1, int((rows[: i + 1, 1] - rows[: i + 1, 0]).sum())), limits).share >= share - 1e-12
            ),
            None,
        )
        (got,) = crossings(rows, limits, 12.0, (share - 1e-12,))
        assert (None if got is None else got[0]) == expected


class TestUnconfirmed:
    OPENING = Opening(100, 200)

    def spans(self, *said: ChangeSaid, asked: int = 10_000):
        return [(c.start, c.end) for c in unconfirmed("heron", [self.OPENING], said, asked)]

    def test_it_is_asked_from_the_closing_of_the_door_until_somebody_answers(self) -> None:
        sayer = Sayer()
        assert self.spans() == [(200, 10_200)]
        sayer.change(150, "TP-02", said=900)
        assert self.spans(*sayer.changes) == [(200, 900)]

    def test_only_cleaned_is_an_answer_too(self) -> None:
        sayer = Sayer()
        sayer.cleaned(150)
        assert self.spans(*sayer.changes) == []  # said before the door was closed again

    def test_a_correction_leaves_it_answered_since_the_first_word(self) -> None:
        sayer = Sayer()
        first = sayer.change(150, "TP-02", said=900)
        sayer.change(150, "TP-04", corrects=first, said=5000)
        assert self.spans(*sayer.changes) == [(200, 900)]

    def test_an_answer_taken_back_leaves_it_open_again(self) -> None:
        sayer = Sayer()
        first = sayer.change(150, "TP-02", said=900)
        sayer.change(150, None, kind="withdrawn", corrects=first, said=950)
        assert self.spans(*sayer.changes) == [(200, 10_200)]

    def test_an_answer_about_another_opening_is_none(self) -> None:
        sayer = Sayer()
        sayer.change(250, "TP-02", said=900)
        assert self.spans(*sayer.changes) == [(200, 10_200)]


def say_blade(rack: Rack, tag: str, when: int, *, said: int | None = None, limit: int = 20) -> None:
    rack.book.say_sheet(SheetSaid(f"s-{tag}", when, "maintenance", BladeSheet(tag, limit_cuts=limit)))
    told = when if said is None else said
    rack.book.say_change(ChangeSaid(f"c-{tag}-{when}", told, "operator", "heron", "change", when, tag))


def cut(start: int, amps: int = 3000) -> Cut:
    return Cut("heron", start, start + 8 * SECOND, Direction.VERTICAL, 3000 + amps, 3500 + amps, 3000, False, None)


@pytest.fixture
def bladed(shop):
    rack = Rack(shop.desk)
    shop.watch = Watch(shop.tending, POLICY, shop.box, "http://saws.example/", ports=[BladeWatch(rack, 12.0)])
    shop.rack = rack
    shop.look(at(2, "09:00"))
    say_blade(rack, "TP-03", at(2, "09:00"))
    return shop


def sawing(shop, number: int, since: int) -> None:
    rows = [cut(since + i * 30 * SECOND) for i in range(number)]
    shop.heard(rows[-1].end, "heron", *rows)


class TestOnTheBook:
    def test_near_and_at_its_limit_are_two_messages_and_the_change_ends_them(self, bladed) -> None:
        sawing(bladed, 18, at(2, "09:10"))
        assert bladed.look(at(2, "09:20")) == ["Heron: blade near its limit: TP-03"]
        body = bladed.box.got[-1][2]
        assert "18 of 20 cuts." in body
        assert "/blades/TP-03" in body
        sawing(bladed, 5, at(2, "09:26"))
        assert set(bladed.look(at(2, "09:30"))) == {"Heron: blade at its limit: TP-03"}
        assert "isolate the saw and lock it off" in bladed.box.got[-1][2]
        bladed.heard(at(2, "10:00"))
        assert bladed.look(at(2, "10:00")) == []
        say_blade(bladed.rack, "TP-04", at(2, "10:10"))
        bladed.look(at(2, "11:11"))  # over when nothing came back for an hour
        ended = {r.kind: r.returned_us for r in AlertBook(bladed.book).standing()}
        assert ended["blade-limit"] == at(2, "10:10")

    def test_an_alert_begins_at_the_cut_that_crossed_the_line_however_late_the_look(self, bladed) -> None:
        sawing(bladed, 23, at(2, "09:10"))
        bladed.look(at(2, "13:00"))
        raised = {r.kind: r.raised_us for r in AlertBook(bladed.book).standing()}
        assert raised["blade-limit"] == at(2, "09:10") + (19 * 30 + 8) * SECOND

    def test_a_change_nobody_confirmed_is_told_after_half_an_hour_and_over_with_the_answer(self, bladed) -> None:
        visit = DoorVisit("heron", at(2, "09:30"), at(2, "09:36"), False, False)
        bladed.heard(at(2, "10:05"), "heron", visit)
        assert bladed.look(at(2, "10:05")) == []
        bladed.heard(at(2, "10:06"))
        assert bladed.look(at(2, "10:06")) == ["Heron: blade change not confirmed"]
        assert "/saw/heron/blade" in bladed.box.got[-1][2]
        say_blade(bladed.rack, "TP-05", at(2, "09:33"), said=at(2, "10:20"))
        bladed.look(at(2, "10:21"))
        (row,) = [r for r in AlertBook(bladed.book).standing() if r.kind == "blade-change-unconfirmed"]
        assert row.returned_us == at(2, "10:20")

    def test_one_that_is_answered_at_once_is_nobodys_business(self, bladed) -> None:
        visit = DoorVisit("heron", at(2, "09:30"), at(2, "09:36"), False, False)
        bladed.heard(at(2, "09:37"), "heron", visit)
        say_blade(bladed.rack, "TP-05", at(2, "09:33"), said=at(2, "09:38"))
        bladed.heard(at(2, "10:30"))
        assert bladed.look(at(2, "10:30")) == []

    def test_a_dull_blade_is_told_once_and_makes_a_task_due(self, bladed) -> None:
        draw = np.random.default_rng(5)
        say_blade(bladed.rack, "TP-06", at(2, "09:05"), limit=5000)
        fresh = [cut(at(2, "09:10") + i * 20 * SECOND, int(a)) for i, a in enumerate(draw.normal(3000, 150, 500))]
        bladed.heard(fresh[-1].end, "heron", *fresh)
        assert bladed.look(at(2, "12:00")) == []
        dull = [cut(at(2, "12:10") + i * 20 * SECOND, int(a)) for i, a in enumerate(draw.normal(3900, 150, 200))]
        bladed.heard(dull[-1].end, "heron", *dull)
        assert bladed.look(at(2, "13:20")) == ["Heron: cuts heavier than when the blade was fresh: TP-06"]
        assert "more above idle than when it was fresh" in bladed.box.got[-1][2]
        ((since, until),) = wear_sign(bladed.rack)("heron", at(2, "13:20"))
        assert at(2, "12:10") < since < at(2, "13:00")
        assert until is None

    def test_the_same_alerts_when_the_clock_is_replayed_in_other_steps(self, open_shop) -> None:
        """All is in the book beforehand: what was said later must not be known before it was said."""

        def day(step: int) -> list[tuple]:
            shop = open_shop()
            rack = Rack(shop.desk)
            shop.watch = Watch(shop.tending, POLICY, shop.box, "http://x/", ports=[BladeWatch(rack, 12.0)])
            shop.look(at(2, "09:00"))
            say_blade(rack, "TP-03", at(2, "09:00"))
            sawing(shop, 23, at(2, "09:10"))
            shop.heard(at(2, "09:50"), "heron", DoorVisit("heron", at(2, "09:40"), at(2, "09:46"), False, False))
            say_blade(rack, "TP-05", at(2, "09:43"), said=at(2, "11:00"))
            for minute in range(0, 180, step):
                shop.look(at(2, "09:01") + minute * MINUTE)
            rows = AlertBook(shop.book).latest()
            return sorted((r.kind, r.subject, r.raised_us, r.count) for r in rows if r.kind.startswith("blade"))

        often = day(1)
        assert [kind for kind, *_ in often] == ["blade-change-unconfirmed", "blade-limit", "blade-limit-near"]
        assert day(7) == often
