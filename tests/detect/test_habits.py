"""What is known of a saw from its other stops decides where one stop by itself tells too little."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from collector.detect.detector import derive, derive_knowing
from collector.detect.habits import NEW, Habits, learn
from collector.detect.settings import DetectSettings
from collector.facts import SECOND, Cut, Direction, Fact, Run
from collector.signals import Trace, merge
from tests.detect.build import at, seconds, spin_up, story

SEEN = Habits(brake_seen=True, brake_us=(2_300_000, 2_700_000))
UNSEEN = Habits(brake_seen=False)


def ends(trace: Trace, habits: Habits = NEW) -> tuple[float, float | None]:
    """When the only run ended, s, and how long a brake's current was seen after it."""
    (run,) = [f for f in derive("heron", trace, DetectSettings(habits=habits)) if isinstance(f, Run)]
    return seconds(run)[1], None if run.stop_us is None else run.stop_us / 1e6


def runs(stops: list[float | None]) -> list[Fact]:
    """Finished runs, a minute apart, with so long a brake (s) each."""
    return [
        Run("heron", 60 * i * SECOND, (60 * i + 30) * SECOND, None, None if s is None else round(s * SECOND), 0)
        for i, s in enumerate(stops)
    ]


def cut(idle_ma: int) -> Cut:
    return Cut("heron", 0, SECOND, Direction.VERTICAL, idle_ma + 900, idle_ma + 1200, idle_ma, False, None)


# What one stop by itself does not tell

EVEN_CUT = [(20, 0.0), *spin_up(), (20, 3.0), (2.5, 6.0), (40, 0.0)]  # until it is switched off
NO_PAUSE = [(20, 0.0), *spin_up(), (20, 3.0), (2.5, 2.8), (40, 0.0)]  # a brake that takes nearly what idle took


def test_an_even_cut_until_the_motor_is_off_is_a_cut_on_a_saw_whose_brake_is_never_seen():
    assert ends(story(EVEN_CUT), UNSEEN) == (pytest.approx(47.0, abs=0.1), None)
    assert ends(story(EVEN_CUT), SEEN) == (pytest.approx(44.5, abs=0.1), pytest.approx(2.5, abs=0.15))


def test_a_wild_sample_makes_no_pause_of_a_saw_whose_brake_is_never_seen():
    trace = story(EVEN_CUT)
    v = trace.motor.v.copy()
    v[np.searchsorted(trace.motor.t, at(44.5))] = 0
    trace = Trace(type(trace.motor)(trace.motor.t, v), trace.lock, trace.station, trace.door)
    assert ends(trace, UNSEEN)[0] == pytest.approx(47.0, abs=0.1)


def test_a_brake_that_takes_what_idle_took_is_told_by_one_step_where_the_brake_is_known_to_be_seen():
    assert ends(story(NO_PAUSE)) == (pytest.approx(47.0, abs=0.1), None)
    assert ends(story(NO_PAUSE), SEEN) == (pytest.approx(44.5, abs=0.15), pytest.approx(2.5, abs=0.2))


def test_two_wild_samples_that_meet_in_the_brakes_current_do_not_begin_it():
    trace = story([(20, 0.0), *spin_up(), (20, 3.0), (2.5, 1.8), (40, 0.0)], rate=40.0)
    v = trace.motor.v.copy()
    first = int(np.searchsorted(trace.motor.t, at(45.8)))
    v[[first, first + 2]] = 20_000
    trace = Trace(type(trace.motor)(trace.motor.t, v), trace.lock, trace.station, trace.door)
    assert ends(trace, SEEN) == (pytest.approx(44.5, abs=0.1), pytest.approx(2.5, abs=0.15))


def test_a_clear_pause_with_another_current_after_it_is_a_brake_even_on_a_saw_that_never_showed_one():
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (0.4, 0.0), (2.4, 1.5), (40, 0.0)]
    assert ends(story(levels), UNSEEN) == (pytest.approx(44.5, abs=0.1), pytest.approx(2.8, abs=0.15))


def test_idle_after_a_cut_is_no_brake_though_the_brake_is_known_to_take_so_long():
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (5, 6.0), (0.3, 4.5), (2.5, 3.0), (40, 0.0)]
    assert ends(story(levels), SEEN)[0] == pytest.approx(52.3, abs=0.1)


def test_a_stop_in_a_silence_lies_as_long_before_the_currents_end_as_the_brake_usually_takes():
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (2.5, 1.8), (40, 0.0)]
    whole = story(levels)
    trace = merge([whole.between(0, at(40)), whole.between(at(46), 1 << 62)])
    assert ends(trace, SEEN) == (pytest.approx(44.5, abs=0.25), pytest.approx(2.5, abs=0.25))


def test_a_motor_that_stands_after_a_long_silence_is_off_though_it_starts_again_at_once():
    levels = [(20, 0.0), *spin_up(), (40, 3.0), (40, 0.0), *spin_up(), (20, 3.0), (40, 0.0)]
    whole = story(levels)
    trace = merge([whole.between(0, at(50)), whole.between(at(104.45), 1 << 62)])
    found = [seconds(f) for f in derive("heron", trace) if isinstance(f, Run)]
    assert len(found) == 2
    assert found[0][1] == pytest.approx(50.0, abs=0.2)
    assert found[1][0] == pytest.approx(104.5, abs=0.2)


# Learning


@given(st.lists(st.booleans(), max_size=60))
def test_whether_the_brake_is_seen_is_the_binomial_likelihood_ratio_of_the_newest_stops(found: list[bool]):
    """Against `scipy.stats.binom`: eight stops in ten show a brake that is seen, one in ten one that is not."""
    newest = found[-40:]
    n, k = len(newest), sum(newest)
    nats = float(binom.logpmf(k, n, 0.8) - binom.logpmf(k, n, 0.1)) if n else 0.0
    known = learn(runs([2.5 if f else None for f in found])).brake_seen
    if nats > math.log(100) + 1e-9:
        assert known is True
    elif nats < -math.log(30) - 1e-9:
        assert known is False
    elif -math.log(30) + 1e-9 < nats < math.log(100) - 1e-9:
        assert known is None


def test_a_new_saw_has_no_habits_and_a_run_under_way_tells_none():
    under_way = Run("heron", 0, None, None, None, 0)
    assert learn([]) == learn([under_way] * 9) == NEW


def test_a_brake_that_was_misread_once_does_not_stretch_what_is_usual():
    low, high = learn(runs([2.4, 2.6, 0.7, 2.5, 7.0, 2.5])).brake_us or (0, 0)
    assert 2_300_000 < low <= 2_400_000
    assert 2_600_000 <= high < 2_700_000


@given(st.lists(st.floats(2.0, 3.0), min_size=3, max_size=40))
def test_few_stops_leave_room_for_what_they_did_not_show(lasted: list[float]):
    """The ends of a uniform distribution, estimated without bias from its order statistics."""
    us = [round(s * SECOND) for s in lasted]
    low, high = learn(runs(list(lasted))).brake_us or (0, 0)
    spacing = (max(us) - min(us)) / (len(us) - 1)
    assert low == pytest.approx(min(us) - spacing, abs=2)
    assert high == pytest.approx(max(us) + spacing, abs=2)


def test_a_clamp_that_is_moved_is_found_out_in_forty_stops():
    assert learn(runs([2.5] * 30 + [None] * 23)).brake_seen is None
    assert learn(runs([2.5] * 30 + [None] * 30)).brake_seen is False


def test_what_idle_takes_is_told_by_its_cuts():
    low, high = learn([cut(ma) for ma in range(3000, 3100, 2)]).idle_ma or (0, 0)
    assert 3000 <= low < 3010
    assert 3090 <= high <= 3100
    assert learn([cut(3000)] * 7).idle_ma is None


def test_a_trace_is_read_by_what_its_own_stops_have_in_common():
    plain = [*spin_up(), (20, 3.0), (40, 0.0)]
    even = [*spin_up(), (20, 3.0), (2.5, 6.0), (40, 0.0)]
    trace = story([(20, 0.0), *(plain * 6), *even])
    last = [f for f in derive("heron", trace) if isinstance(f, Run)][-1]
    known = [f for f in derive_knowing("heron", trace) if isinstance(f, Run)][-1]
    assert last.stop_us is not None
    assert known.stop_us is None
    assert known.end - last.end == pytest.approx(2.5 * SECOND, abs=0.2 * SECOND)
