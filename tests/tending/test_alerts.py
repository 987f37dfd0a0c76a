"""The life of an alert against the states of ISA-18.2, and that nothing flutters and looking often changes nothing."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.answers.alerts import (
    Alert,
    AlertState,
    Condition,
    Event,
    Key,
    LifeError,
    Spell,
    acknowledge,
    shelve,
    spells,
    step,
    unshelve,
)
from api.answers.looking import look

KEY = Key("box-silent", "heron")
N, U, A, R, S = AlertState  # normal, unacknowledged, acknowledged, returned, shelved

# ANSI/ISA-18.2-2016 clause 5.6 / IEC 62682 (alarm state transition diagram): states A normal, B unacknowledged,
# C acknowledged, D returned to normal unacknowledged, G shelved. From memory: the standard is not free to read. Not
# used here: E and F (latched), H (suppressed by design), I (out of service). ``None``: no such transition.
TABLE = [
    # state, condition holds, raised, returned, acknowledged, shelved, unshelved
    (N, False, U, N, None, S, None),
    (U, True, U, R, A, S, None),
    (A, True, A, N, A, S, None),
    (R, False, U, R, N, S, None),
    (S, True, S, S, None, S, U),
    (S, False, S, S, None, S, N),
]
EVENTS = (Event.RAISED, Event.RETURNED, Event.ACKNOWLEDGED, Event.SHELVED, Event.UNSHELVED)


@pytest.mark.parametrize(("state", "on", "to"), [(row[0], row[1], row[2:]) for row in TABLE])
def test_every_state_and_event_as_the_table_of_isa_18_2_has_them(state, on, to) -> None:
    for event, expected in zip(EVENTS, to, strict=True):
        if expected is None:
            with pytest.raises(LifeError):
                step(state, event, on=on)
        else:
            assert step(state, event, on=on) is expected, f"{state} {event}"


def c(start: int, end: int | None = None) -> Condition:
    return Condition(KEY, start, end)


class TestSpells:
    def test_what_is_shorter_than_the_delay_is_nothing(self) -> None:
        assert spells([c(0, 4), c(10, 14)], delay=5, hold=0, now=100) == []

    def test_what_lasts_is_raised_after_the_delay_and_not_before(self) -> None:
        assert spells([c(0)], delay=5, hold=0, now=4) == []
        assert spells([c(0)], delay=5, hold=0, now=5) == [Spell(5, None, 1, {})]

    def test_what_comes_back_within_the_hold_is_one_spell_with_a_count(self) -> None:
        hundred = [c(10 * i, 10 * i + 5) for i in range(100)]
        assert spells(hundred, delay=0, hold=20, now=5000) == [Spell(0, 995, 100, {})]

    def test_it_is_over_only_when_the_hold_has_passed(self) -> None:
        assert spells([c(0, 5)], delay=0, hold=20, now=24)[0].ended is None
        assert spells([c(0, 5)], delay=0, hold=20, now=25)[0].ended == 5


class Diary:
    """One key's alerts, as the runner keeps them."""

    def __init__(self, since: int = -1) -> None:
        self.alerts: list[Alert] = []
        self.told: list[int] = []
        self.since = since

    def look(self, conditions, now: int, delay: int = 0, hold: int = 0) -> None:
        latest = self.alerts[-1] if self.alerts else None
        for change in look(latest, spells(conditions, delay, hold, now), KEY, now, self.since):
            if change.alert.id:
                self.alerts[-1] = change.alert
            else:
                self.alerts.append(replace(change.alert, id=len(self.alerts) + 1))
            if change.tell:
                self.told.append(change.alert.raised)

    def acknowledge(self, now: int) -> None:
        self.alerts[-1] = acknowledge(self.alerts[-1], "Rui", now).alert

    @property
    def states(self) -> list[AlertState]:
        return [a.state for a in self.alerts]


def test_a_box_that_flaps_a_hundred_times_is_told_once_and_counted() -> None:
    diary = Diary()
    facts = []
    for i in range(100):
        facts.append(c(10 * i, 10 * i + 5))
        diary.look(facts, 10 * i + 6, hold=20)
    diary.look(facts, 5000, hold=20)
    assert diary.told == [0]
    assert [(a.count, a.state) for a in diary.alerts] == [(100, R)]


def test_flapping_slower_than_the_hold_stays_one_alert_until_somebody_acknowledges() -> None:
    diary = Diary()
    facts = [c(100 * i, 100 * i + 5) for i in range(10)]
    diary.look(facts, 5000, hold=20)
    assert (diary.told, diary.alerts[0].count) == ([0], 10)


def test_acknowledged_and_over_the_next_one_is_a_new_alert() -> None:
    diary = Diary()
    diary.look([c(0)], 1)
    diary.acknowledge(2)
    diary.look([c(0, 5)], 6)
    assert diary.states == [N]
    diary.look([c(0, 5), c(50)], 51)
    assert diary.states == [N, U]
    assert diary.told == [0, 50]


def test_what_was_over_before_alerts_were_kept_is_no_news_and_what_is_on_is() -> None:
    diary = Diary(since=100)
    diary.look([c(0, 50)], 101)
    assert diary.alerts == []
    diary.look([c(0, 50), c(60)], 101)
    assert diary.told == [60]


def test_a_condition_that_late_data_take_back_returns_to_normal() -> None:
    diary = Diary()
    diary.look([c(0)], 10)
    diary.look([], 20)
    assert (diary.states, diary.alerts[0].returned) == ([R], 20)


def test_on_the_shelf_nothing_is_told_and_at_its_end_what_is_still_on_is_told_again() -> None:
    diary = Diary()
    diary.look([c(0)], 1)
    diary.alerts[-1] = shelve(diary.alerts[-1], 100, "Rui", 2).alert
    diary.look([c(0, 10), c(50)], 60)
    assert (diary.states, diary.told) == ([S], [0])
    diary.look([c(0, 10), c(50)], 100)
    assert (diary.states, len(diary.told)) == ([U], 2)


def test_a_shelf_that_ends_over_a_quiet_condition_ends_the_alert() -> None:
    diary = Diary()
    diary.look([c(0)], 1)
    diary.alerts[-1] = shelve(diary.alerts[-1], 100, "Rui", 2).alert
    diary.look([c(0, 10)], 101)
    assert diary.states == [N]


def test_a_shelf_needs_an_end_ahead_and_an_alert_that_is_not_over() -> None:
    alert = Alert(1, KEY, U, 0, 0)
    with pytest.raises(LifeError, match="ahead"):
        shelve(alert, 5, "Rui", 5)
    with pytest.raises(LifeError, match="over"):
        shelve(replace(alert, state=N, returned=1), 10, "Rui", 5)
    with pytest.raises(LifeError):
        acknowledge(replace(alert, state=S), "Rui", 5)
    with pytest.raises(LifeError):
        unshelve(alert, "Rui", 5)


def test_two_people_acknowledge_and_the_first_stays_named() -> None:
    first = acknowledge(Alert(1, KEY, U, 0, 0), "Ana", 5).alert
    second = acknowledge(first, "Rui", 6).alert
    assert (second.who, second.acknowledged, second.state) == ("Ana", 5, A)


times = st.integers(0, 400)
stretches = st.lists(st.tuples(times, st.integers(0, 60)), max_size=12)
looks = st.lists(times, max_size=40)


def facts_known(pairs, now: int) -> list[Condition]:
    """What the facts say at a moment: nothing of what begins later, and no end that lies ahead."""
    disjoint, free = [], 0
    for start, length in sorted(pairs):
        at = max(start, free)
        disjoint.append((at, at + length))
        free = at + length + 1
    return [c(a, b if b <= now else None) for a, b in disjoint if a <= now]


def outcome(diary: Diary):
    return [(a.state, a.raised, a.mark, a.returned, a.count) for a in diary.alerts], diary.told


@given(stretches, looks, st.integers(0, 20), st.integers(0, 40))
def test_however_often_the_rules_look_the_alerts_are_the_same(pairs, moments, delay, hold) -> None:
    end = 1000
    often, once = Diary(), Diary()
    for now in [*sorted(moments), end]:
        often.look(facts_known(pairs, now), now, delay, hold)
    once.look(facts_known(pairs, end), end, delay, hold)
    assert outcome(often) == outcome(once)


@given(stretches, looks, times, st.integers(0, 20), st.integers(0, 40))
def test_the_clock_replayed_gives_the_same_alerts_whatever_people_did(pairs, moments, pressed, delay, hold) -> None:
    """The same looks and the same acknowledgement, and then every look twice: looking again changes nothing."""

    def play(repeat: int) -> Diary:
        diary = Diary()
        for now in sorted({*moments, pressed, 1000}):
            for _ in range(repeat):
                diary.look(facts_known(pairs, now), now, delay, hold)
            if now == pressed and diary.alerts and not diary.alerts[-1].over:
                diary.acknowledge(now)
        return diary

    assert outcome(play(1)) == outcome(play(2))


@given(stretches, st.integers(0, 20), st.integers(0, 40))
def test_every_message_stands_for_an_alert_and_every_alert_was_told_once(pairs, delay, hold) -> None:
    diary = Diary()
    for now in range(0, 600, 7):
        diary.look(facts_known(pairs, now), now, delay, hold)
    assert diary.told == [a.raised for a in diary.alerts]
