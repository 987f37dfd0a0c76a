"""What counts as a cut."""

from __future__ import annotations

import math

import pytest

from collector.detect.detector import derive
from collector.facts import Cut, Direction, Run
from tests.detect.build import seconds, spin_up, story

LOCKED = [(0.0, 1)]


def cuts_of(levels, **how):
    return [f for f in derive("heron", story(levels, **how)) if isinstance(f, Cut)]


def working(*middle: tuple[float, float]) -> list[tuple[float, float]]:
    return [(20, 0.0), *spin_up(), *middle, (5, 3.0), (40, 0.0)]


def test_a_rise_of_the_current_is_a_cut_with_its_start_its_end_and_its_currents():
    (cut,) = cuts_of(working((10, 3.0), (6, 5.0), (4, 3.0)), lock=LOCKED)
    start, end = seconds(cut)
    assert start == pytest.approx(34.5, abs=0.1)
    assert end == pytest.approx(40.5, abs=0.1)
    assert cut.mean_ma == pytest.approx(5000, abs=60)
    assert cut.idle_ma == pytest.approx(3000, abs=40)
    assert cut.direction is Direction.VERTICAL


def test_a_motor_that_only_idles_cuts_nothing():
    assert cuts_of(working((600, 3.0))) == []


@pytest.mark.parametrize("pause", [0.3, 0.6, 0.9])
def test_a_pause_of_feed_under_a_second_does_not_split_a_cut(pause):
    (cut,) = cuts_of(working((5, 3.0), (4, 5.0), (pause, 3.0), (4, 5.0), (4, 3.0)))
    assert seconds(cut)[0] == pytest.approx(29.5, abs=0.15)
    assert seconds(cut)[1] == pytest.approx(37.5 + pause, abs=0.15)


def test_cuts_1_3_s_apart_are_two():
    assert len(cuts_of(working((5, 3.0), (4, 5.0), (1.3, 3.0), (4, 5.0), (4, 3.0)))) == 2


@pytest.mark.parametrize("bump", [0.2, 0.5, 0.7])
def test_a_bump_shorter_than_0_8_s_is_no_cut(bump):
    assert cuts_of(working((5, 3.0), (bump, 5.0), (8, 3.0))) == []


def test_a_light_cut_of_0_15_a_at_0_05_a_noise_is_found():
    (cut,) = cuts_of(working((12, 3.0), (8, 3.15), (12, 3.0)), noise=0.05)
    assert seconds(cut)[0] == pytest.approx(36.5, abs=0.5)


def test_a_first_cut_half_a_second_after_spin_up_and_off_right_after_the_last():
    levels = [(20, 0.0), (0.5, 30), (0.5, 24), (0.5, 6), (0.5, 3.0), (5, 5.5), (0.3, 3.0), (40, 0.0)]
    (cut,) = cuts_of(levels)
    assert seconds(cut)[0] == pytest.approx(22.0, abs=0.2)
    assert seconds(cut)[1] == pytest.approx(27.0, abs=0.2)


def test_single_wild_samples_make_and_split_nothing():
    trace = story(working((5, 3.0), (6, 5.0), (30, 3.0)))
    wild = trace.motor.v.copy()
    wild[50], wild[320], wild[450], wild[520] = 30_000, 0, 60_000, 0
    trace = type(trace)(type(trace.motor)(trace.motor.t, wild), trace.lock, trace.station, trace.door)
    facts = derive("heron", trace)
    assert sum(isinstance(f, Cut) for f in facts) == 1
    assert sum(isinstance(f, Run) for f in facts) == 1


def test_the_direction_is_unknown_where_the_lock_was_not_heard():
    (cut,) = cuts_of(working((10, 3.0), (6, 5.0), (4, 3.0)))
    assert cut.direction is Direction.UNKNOWN


def test_a_free_beam_makes_a_horizontal_cut_and_bounce_does_not_move_the_lock():
    bounce = [(0.0, 1), (33.0, 0), (33.02, 1), (33.05, 0), (33.06, 1), (33.08, 0)]
    (cut,) = cuts_of(working((10, 3.0), (6, 5.0), (4, 3.0)), lock=bounce)
    assert cut.direction is Direction.HORIZONTAL
    assert not cut.lock_moved


def test_a_lock_that_moves_in_the_middle_of_a_cut_is_told():
    (cut,) = cuts_of(working((10, 3.0), (6, 5.0), (4, 3.0)), lock=[(0.0, 1), (37.5, 0)])
    assert cut.lock_moved


def test_a_falling_idle_and_a_wandering_one_are_no_cuts():
    cold = [(0.1, 3.0 * (1 + 0.5 * math.exp(-k / 800))) for k in range(4000)]
    wander = [(0.1, 3.0 * (1 + 0.08 * math.sin(k / 200))) for k in range(4000)]
    assert cuts_of([(20, 0.0), *spin_up(4.5), *cold, *wander, (40, 0.0)]) == []
