"""Laws of the derivation that hold for every trace: chunks change nothing, a rest point is a fresh start."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from collector.detect.detector import Detector, derive
from collector.detect.habits import NEW, Habits, learn
from collector.detect.settings import DetectSettings
from collector.facts import SECOND
from collector.signals import Series, Trace
from tests.detect import other_saw
from tests.detect.arbitrary import START, arbitrary_trace, follow, order, parts_of, wrong_with

FAMILIES = sorted(other_saw.FAMILIES)


@functools.cache
def told(family: str, seed: int) -> Trace:
    return other_saw.tell(family, seed, 240.0).trace


def whole(trace: Trace, knowing: DetectSettings | None = None):
    return sorted(derive("saw", trace, knowing), key=order)


def at_shares(trace: Trace, shares: list[float]) -> list[int]:
    return [round(trace.first + share * (trace.last - trace.first)) for share in shares]


def told_or_arbitrary() -> st.SearchStrategy[Trace]:
    """A saw's trace, or one from nothing but chance."""
    of_a_saw = st.builds(told, st.sampled_from(FAMILIES), st.integers(0, 99))
    return of_a_saw | st.builds(arbitrary_trace, st.integers(0, 1 << 32), switches=st.booleans()).filter(len)


shares = st.lists(st.floats(0, 1), max_size=40)
ranges = st.none() | st.tuples(st.integers(-100, 40_000), st.integers(-100, 40_000)) | st.just((2900, 3100))
lasting = (
    st.none() | st.tuples(st.integers(-100, 6_000_000), st.integers(-100, 6_000_000)) | st.just((600_000, 3_500_000))
)
any_habits = st.builds(Habits, st.sampled_from([None, True, False]), lasting, ranges, ranges)
OWN = "own"  # the habits that the trace itself shows
habits = st.just(NEW) | st.just(OWN) | any_habits


def knowing(trace: Trace, known: Habits | str) -> DetectSettings:
    return DetectSettings(habits=learn(whole(trace)) if isinstance(known, str) else known)


@given(told_or_arbitrary(), habits, shares)
@settings(max_examples=80, deadline=None)
def test_any_chunking_gives_the_same_facts(trace, known, cuts):
    s = knowing(trace, known)
    assert follow(Detector("saw", s), parts_of(trace, at_shares(trace, cuts))) == whole(trace, s)


@given(told_or_arbitrary(), habits, st.floats(0.05, 0.95))
@example(arbitrary_trace(144), NEW, 0.5)  # current that comes back 4 s after it fell, and jumps later in the same chunk
@example(arbitrary_trace(300103, switches=False), NEW, 0.5)  # two widths find a step at one place, up and down
@settings(max_examples=25, deadline=None)
def test_one_pack_a_second_gives_the_same_facts_and_the_same_present(trace, known, phase):
    packs = parts_of(trace, list(range(trace.first - round(phase * SECOND), trace.last + 1, SECOND)))
    s = knowing(trace, known)
    packed, at_once = Detector("saw", s), Detector("saw", s)
    facts = follow(packed, packs)
    at_once.feed(trace)
    assert facts == sorted(at_once.facts().facts, key=order)
    assert packed.now() == at_once.now()
    assert packed.consumed == at_once.consumed


@given(told_or_arbitrary(), habits, shares)
@settings(max_examples=25, deadline=None)
def test_a_detector_that_was_written_down_goes_on_as_if_nothing_had_happened(trace, known, cuts):
    s = knowing(trace, known)
    stopped, straight = Detector("saw", s), Detector("saw", s)
    for part in parts_of(trace, at_shares(trace, cuts)):
        stopped.feed(part)
        straight.feed(part)
        assert stopped.facts() == straight.facts()
        stopped = Detector("saw", state=stopped.dump())
    assert stopped.now() == straight.now()


@given(told_or_arbitrary(), habits, st.integers(2, 30))
@settings(max_examples=50, deadline=None)
def test_a_derivation_from_a_rest_point_gives_the_same_facts_from_there_on(trace, known, seconds):
    s = knowing(trace, known)
    detector = Detector("saw", s)
    rests = set()
    for part in parts_of(trace, list(range(trace.first, trace.last + 1, seconds * SECOND))):
        detector.feed(part)
        detector.facts()
        rests |= {detector.rested} - {None}
    facts = whole(trace, s)
    for rest in sorted(rests)[:: max(1, len(rests) // 3)]:
        switches = replace(trace.between(rest - 60 * SECOND, rest), motor=Series.empty())
        parts = [p for p in (switches, trace.between(rest, trace.last + 1)) if len(p)]
        afresh = [f for f in follow(Detector("saw", s), parts) if f.start >= rest]
        assert afresh == [f for f in facts if f.start >= rest]


@given(st.builds(arbitrary_trace, st.integers(0, 1 << 32), switches=st.booleans()), habits)
@settings(max_examples=100, deadline=None)
def test_the_facts_of_any_trace_are_well_formed(trace, known):
    """Each with a length and inside the trace, none over another of its kind, every cut within its run."""
    assert wrong_with(whole(trace, knowing(trace, known)), trace) == []


intervals = st.sampled_from([1, 5_000, 20_000, 100_000, 200_000, 1_000_000, 10_000_000, 16_000_000, 95_000_000])
currents = st.sampled_from([0, 300, 570, 3000, 3150, 5000, 40_000, 2**31 - 1]) | st.integers(0, 2**31 - 1)


@given(st.lists(st.tuples(intervals, currents, st.integers(1, 60)), min_size=1, max_size=25), habits, shares)
@settings(max_examples=100, deadline=None)
def test_any_currents_at_any_times_give_well_formed_facts_in_any_chunks(stretches, known, cuts):
    """Stretches of a current, each with an interval of its own, down to a microsecond and up to a silence."""
    t = START + np.cumsum(np.concatenate([np.full(n, every) for every, _, n in stretches]))
    v = np.concatenate([np.full(n, ma, np.int32) for _, ma, n in stretches])
    trace = Trace(Series(t, v), Series.empty(), Series.empty(), Series.empty())
    s = knowing(trace, known)
    facts = whole(trace, s)
    assert wrong_with(facts, trace) == []
    assert follow(Detector("saw", s), parts_of(trace, at_shares(trace, cuts))) == facts


@pytest.mark.parametrize("again", [1, 3])
def test_a_reading_delivered_twice_at_the_same_time_counts_once(again):
    trace = told("ordinary", 3)
    twice = Trace(*(Series.of(np.tile(s.t, again), np.tile(s.v, again)) for s in trace.series()))
    assert whole(twice) == whole(trace)
