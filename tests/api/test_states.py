"""The timeline of a saw."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from api.answers.states import LATE, Extent, Mode, activity, late, timeline
from collector.facts import SECOND, Conflict, DoorVisit, Gap, State
from collector.outline import outline_of
from tests.api.conftest import MORNING, at, cut, run

S = SECOND


def drawn(facts, extent, start, end, now=None):
    now = end if now is None else now
    return timeline(activity(outline_of(facts), extent, extent.drawn_until(now)), start, end)


def short(stretches, unit=S):
    return [(s.state.value, s.start // unit, s.end // unit) for s in stretches]


def test_a_morning_reads_as_it_went():
    stretches = drawn(MORNING, Extent(at("06:50:00"), at("09:00:00")), at("06:00:00"), at("09:00:04"))
    assert [(s.state.value, s.start) for s in stretches if s.mode is Mode.MANUAL] == [
        ("OFFLINE", at("06:00:00")),  # before the first reading
        ("STANDBY", at("06:50:00")),
        ("READY", at("07:00:00")),
        ("WORKING", at("07:01:00")),
        ("READY", at("07:02:00")),
        ("WORKING", at("07:04:00")),
        ("READY", at("07:04:30")),
        ("STANDBY", at("07:20:00")),
        ("STANDBY", at("07:45:00")),
        ("ERROR", at("07:50:00")),
        ("STANDBY", at("07:51:00")),
        ("OFFLINE", at("08:00:00")),  # the gap
        ("STANDBY", at("08:10:00")),
        ("READY", at("08:50:00")),
        ("WORKING", at("08:59:00")),  # still going on, newest reading 4 s old
    ]
    (setup,) = [s for s in stretches if s.mode is Mode.SETUP]
    assert (setup.state, setup.start, setup.end) == (State.STANDBY, at("07:40:00"), at("07:45:00"))
    assert stretches[-1].end == at("09:00:04")


def test_a_saw_that_was_never_heard_is_offline():
    assert short(drawn([], Extent(None, None), 0, 100 * S)) == [("OFFLINE", 0, 100)]


def test_a_box_whose_clock_is_slow_speaks_for_the_present_while_it_is_heard():
    slow = Extent(0, 100 * S, late(-40 * S))
    assert (slow.heard, slow.fresh(155 * S), slow.fresh(156 * S)) == (140 * S, True, False)
    assert short(drawn([run(10 * S, None)], slow, 0, 150 * S)) == [("STANDBY", 0, 10), ("READY", 10, 150)]
    assert slow.counted_until(150 * S) == 100 * S  # what is not here yet is not missing
    assert (late(None), late(3 * S), late(-500 * S)) == (0, 0, LATE)  # one that far off tells no present


def test_a_reading_of_15_seconds_ago_stands_for_the_present_and_an_older_one_does_not():
    open_run = [run(10 * S, None)]
    assert short(drawn(open_run, Extent(0, 100 * S), 0, 115 * S)) == [("STANDBY", 0, 10), ("READY", 10, 115)]
    assert short(drawn(open_run, Extent(0, 100 * S), 0, 116 * S)) == [
        ("STANDBY", 0, 10),
        ("READY", 10, 100),
        ("OFFLINE", 100, 116),  # from the newest reading on
    ]


def test_no_data_beats_an_error_beats_a_cut_beats_a_run():
    facts = [
        run(0, 100 * S),
        cut(20 * S, 80 * S),
        Conflict("heron", 40 * S, 60 * S, "x"),
        Gap("heron", 50 * S, 55 * S),
    ]
    assert short(drawn(facts, Extent(0, 100 * S), 0, 100 * S)) == [
        ("READY", 0, 20),
        ("WORKING", 20, 40),
        ("ERROR", 40, 50),
        ("OFFLINE", 50, 55),
        ("ERROR", 55, 60),
        ("WORKING", 60, 80),
        ("READY", 80, 100),
    ]


def test_the_mode_is_setup_while_the_door_is_open():
    facts = [DoorVisit("heron", 10 * S, None, current_seen=False, before_stop=False)]
    found = drawn(facts, Extent(0, 20 * S), 0, 20 * S)
    assert [(s.mode.value, s.start // S) for s in found] == [("MANUAL", 0), ("SETUP", 10)]


second = st.integers(0, 200)
fact = st.one_of(
    st.builds(lambda a, n: run(a * S, (a + n) * S), second, second),
    st.builds(lambda a, n: cut(a * S, (a + n) * S), second, second),
    st.builds(lambda a: run(a * S, None), second),
    st.builds(lambda a, n: Conflict("heron", a * S, (a + n) * S, "x"), second, second),
    st.builds(lambda a, n: Gap("heron", a * S, (a + n) * S), second, second),
    st.builds(lambda a, n: DoorVisit("heron", a * S, (a + n) * S, False, False), second, second),
)


def rule(facts, extent, t, until):
    """The definition, read word for word, at one moment."""

    def on(kind):
        return any(f.kind == kind and f.start <= t < (until if f.end is None else f.end) for f in facts)

    if extent.first is None or not extent.first <= t < until or on("gap"):
        return State.OFFLINE
    for kind, state in [("conflict", State.ERROR), ("cut", State.WORKING), ("run", State.READY)]:
        if on(kind):
            return state
    return State.STANDBY


@given(st.lists(fact, max_size=10), second, second, second, second)
def test_every_moment_has_the_state_that_the_words_say(facts, first, length, start, period):
    extent = Extent(first * S, (first + length) * S)
    lo, hi = start * S, (start + period + 1) * S
    until = extent.drawn_until(hi)
    stretches = drawn(facts, extent, lo, hi)
    assert (stretches[0].start, stretches[-1].end) == (lo, hi)
    for a, b in itertools.pairwise(stretches):
        assert a.end == b.start
        assert (a.state, a.mode) != (b.state, b.mode)
    for s in stretches:
        for t in range(s.start, s.end, S):
            assert s.state is rule(facts, extent, t, until)
