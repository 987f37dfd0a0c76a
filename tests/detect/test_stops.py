"""Whether the last level of a run is a brake's, where that is hard to tell."""

from __future__ import annotations

import numpy as np
import pytest

from collector.detect.detector import derive
from collector.detect.habits import Habits
from collector.detect.settings import DetectSettings
from collector.facts import DoorVisit, Run
from collector.signals import Series, Trace, merge
from tests.detect.build import at, seconds, spin_up, story


def the_run(trace: Trace) -> Run:
    (run,) = [f for f in derive("heron", trace) if isinstance(f, Run)]
    return run


def ends(trace: Trace) -> tuple[float, float | None]:
    """When the run ended, s, and how long a brake's current was seen after it."""
    run = the_run(trace)
    return seconds(run)[1], None if run.stop_us is None else run.stop_us / 1e6


def wild(trace: Trace, *moments: float, ma: int = 0) -> Trace:
    """The same with so much (mA) in the sample that ends at or after each moment, s."""
    v = trace.motor.v.copy()
    for moment in moments:
        v[np.searchsorted(trace.motor.t, at(moment))] = ma
    return Trace(Series(trace.motor.t, v), trace.lock, trace.station, trace.door)


def lost(trace: Trace, start: float, end: float) -> Trace:
    return merge([trace.between(0, at(start)), trace.between(at(end), 1 << 62)])


def test_a_slow_boxs_samples_that_are_partly_of_the_pause_belong_to_the_stop():
    levels = [(20, 0.0), *spin_up(3.4), (20, 3.4), (0.2, 1.85), (0.2, 1.5), (1.6, 2.37), (40, 0.0)]
    end, stop = ends(story(levels, rate=5.0))
    assert end == pytest.approx(44.5, abs=0.3)
    assert stop == pytest.approx(2.0, abs=0.3)


def test_the_longest_pause_is_the_pause_and_a_wild_sample_in_the_brakes_current_is_none():
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (0.2, 0.0), (2.4, 2.0), (40, 0.0)]
    end, stop = ends(wild(story(levels, rate=30.0), 44.95))
    assert end == pytest.approx(44.5, abs=0.1)
    assert stop == pytest.approx(2.6, abs=0.15)


def test_a_wild_sample_of_a_fast_box_is_no_pause():
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (2.4, 1.2), (40, 0.0)]
    end, _ = ends(wild(story(levels, rate=50.0), 43.98))
    assert end == pytest.approx(44.5, abs=0.1)


def test_a_brake_that_takes_what_idle_took_is_told_by_a_pause_of_several_samples():
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (0.25, 0.0), (2.6, 3.1), (40, 0.0)]
    end, stop = ends(story(levels, rate=16.0, noise=0.1))
    assert end == pytest.approx(44.5, abs=0.1)
    assert stop == pytest.approx(2.85, abs=0.15)


def test_a_pack_lost_out_of_a_brakes_current_leaves_it_a_brakes():
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (0.1, 0.0), (1.8, 22.0), (40, 0.0)]
    end, stop = ends(lost(story(levels), 45.0, 46.1))
    assert end == pytest.approx(44.5, abs=0.1)
    assert stop == pytest.approx(1.9, abs=0.15)


def test_how_long_a_brake_took_whose_end_was_lost_nobody_knows():
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (1.0, 0.0), (2.0, 22.0), (40, 0.0)]
    end, stop = ends(lost(story(levels), 46.5, 48.6))
    assert end == pytest.approx(44.5, abs=0.1)
    assert stop is None


def test_brake_current_with_the_door_open_is_told_though_the_brakes_end_was_lost():
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (1.0, 0.0), (2.0, 22.0), (40, 0.0)]
    trace = lost(story(levels, door=[(0.0, 1), (45.9, 0)]), 46.5, 48.6)
    (visit,) = [f for f in derive("heron", trace) if isinstance(f, DoorVisit)]
    assert visit.current_seen
    assert visit.before_stop


@pytest.mark.parametrize("seed", range(5))
def test_a_brake_below_idle_without_a_pause_is_told_though_its_step_is_of_the_size_of_noise(seed):
    levels = [(20, 0.0), *spin_up(1.45), (20, 1.45), (2.5, 1.02), (40, 0.0)]
    end, stop = ends(story(levels, rate=6.0, noise=0.15, seed=seed))
    assert end == pytest.approx(44.5, abs=0.5)
    assert stop == pytest.approx(2.5, abs=0.5)


def test_a_second_of_idle_after_the_last_cut_of_a_run_that_was_hardly_idle_is_no_brake():
    levels = [(20, 0.0), *spin_up(), (20, 9.0), (0.8, 3.0), (40, 0.0)]
    end, stop = ends(story(levels, rate=20.0, noise=0.1))
    assert stop is None
    assert end == pytest.approx(45.3, abs=0.1)


def test_what_falls_from_the_starting_current_is_idle_and_no_brake():
    start = [(0.3, 13.0), (0.3, 20.0), (0.6, 25.0), (2.2, 26.0), (0.3, 20.0)]
    cut = [(1.0, 3.6), (1.4, 3.5), (0.12, 3.3), (0.24, 3.0)]
    end, stop = ends(story([(20, 0.0), *start, (1.0, 3.0), *cut, (40, 0.0)], rate=8.0, noise=0.012))
    assert stop is None
    assert end == pytest.approx(27.46, abs=0.2)


def test_a_level_of_four_seconds_after_a_silence_is_longer_than_a_stop():
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (40, 4.6), (4.0, 3.0), (40, 0.0)]
    end, stop = ends(lost(story(levels), 46.0, 84.5))
    assert stop is None
    assert end == pytest.approx(88.5, abs=0.2)


def test_a_brake_without_a_pause_just_after_a_cut_begins_where_idle_ends():
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (2.2, 5.5), (0.4, 3.0), (2.1, 3.85), (40, 0.0)]
    end, stop = ends(story(levels, rate=33.0, noise=0.1))
    assert end == pytest.approx(47.1, abs=0.1)
    assert stop == pytest.approx(2.1, abs=0.15)


def test_a_load_that_came_on_unseen_and_leaves_by_degrees_leaves_idle_behind():
    rising = [(0.1, 3.0 + 0.02 * k) for k in range(31)]
    levels = [(20, 0.0), *spin_up(), (30, 3.0), *rising, (14, 3.6), (0.1, 3.4), (0.1, 3.2), (1.7, 3.0), (40, 0.0)]
    _, stop = ends(story(levels))
    assert stop is None


def test_a_pause_that_two_samples_of_a_slow_box_share_comes_before_a_brake_above_idle_too():
    levels = [(20, 0.0), *spin_up(3.2), (20, 3.2), (0.2, 1.6), (0.2, 1.5), (1.6, 5.2), (40, 0.0)]
    end, stop = ends(story(levels, rate=5.0))
    assert end == pytest.approx(44.5, abs=0.35)
    assert stop == pytest.approx(2.0, abs=0.35)


def test_a_brake_that_takes_what_the_cut_took_begins_where_idle_was_last():
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (2.2, 4.4), (0.2, 3.0), (2.1, 4.3), (40, 0.0)]
    end, stop = ends(story(levels, noise=0.02))
    assert end == pytest.approx(46.9, abs=0.15)
    assert stop == pytest.approx(2.1, abs=0.15)


def test_idle_for_a_moment_between_an_even_cut_and_the_stop_shows_that_it_was_no_brake():
    levels = [(20, 0.0), *spin_up(2.0), (20, 2.0), (3.5, 2.17), (0.3, 2.02), (40, 0.0)]
    end, stop = ends(story(levels, rate=20.0, noise=0.03))
    assert stop is None
    assert end == pytest.approx(48.3, abs=0.1)


def test_a_wild_sample_in_the_brakes_current_is_no_pause_where_the_pause_is_only_in_part_of_a_sample():
    levels = [(20, 0.0), *spin_up(4.3), (20, 4.3), (0.14, 1.7), (2.2, 16.7), (40, 0.0)]
    end, stop = ends(wild(story(levels, rate=7.0, noise=0.1), 45.5))
    assert end == pytest.approx(44.5, abs=0.2)
    assert stop == pytest.approx(2.3, abs=0.25)


def test_what_is_less_uneven_than_the_load_before_but_more_than_standstill_is_no_brake():
    uneven = [(0.1, 3.0 + 1.1 + 0.11 * (-1) ** (k // 2)) for k in range(24)]
    _, stop = ends(story([(20, 0.0), *spin_up(), (20, 3.0), *uneven, (40, 0.0)], noise=0.01))
    assert stop is None


def test_a_brake_whose_end_was_lost_is_told_by_its_pause_and_how_long_it_took_is_not_known():
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (0.1, 0.0), (2.0, 9.0), (40, 0.0)]
    end, stop = ends(lost(story(levels), 45.0, 47.1))
    assert end == pytest.approx(44.5, abs=0.1)
    assert stop is None


@pytest.mark.parametrize("moment", [46.35, 46.4, 46.6])
def test_a_wild_sample_shortly_before_the_end_of_a_brakes_current_leaves_it_a_brakes(moment):
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (2.6, 12.0), (40, 0.0)]
    end, stop = ends(wild(story(levels), moment, ma=38_000))
    assert end == pytest.approx(44.5, abs=0.1)
    assert stop == pytest.approx(2.6, abs=0.1)


@pytest.mark.parametrize("seed", range(5))
def test_a_brake_of_many_times_idle_is_told_though_standstill_shows_less_than_the_sensors_noise(seed):
    trace = story([(20, 0.0), *spin_up(1.6), (20, 1.6), (2.6, 8.0), (40, 0.0)], noise=0.15, seed=seed)
    v = np.where(trace.motor.t > at(47.2), 0, trace.motor.v)
    end, stop = ends(Trace(Series(trace.motor.t, v), trace.lock, trace.station, trace.door))
    assert end == pytest.approx(44.5, abs=0.3)
    assert stop == pytest.approx(2.6, abs=0.3)


def test_a_brake_below_a_long_idle_is_told_though_it_begins_by_degrees():
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (0.1, 2.7), (0.1, 2.4), (2.4, 2.0), (40, 0.0)]
    end, stop = ends(story(levels))
    assert end == pytest.approx(44.6, abs=0.2)
    assert stop == pytest.approx(2.5, abs=0.2)


@pytest.mark.parametrize(("pause", "level"), [(0.3, 0.45), (0.1, 0.3), (0.5, 0.5)])
def test_a_brakes_current_too_small_to_be_a_motors_is_seen_all_the_same(pause, level):
    levels = [(20, 0.02), *spin_up(1.0), (20, 1.0), (3, 1.8), (4, 1.0), (pause, 0.0), (2.0, level), (40, 0.02)]
    end, stop = ends(story(levels))
    assert end == pytest.approx(51.5, abs=0.1)
    assert stop == pytest.approx(2.0 + pause, abs=0.2)


@pytest.mark.parametrize("seed", range(5))
def test_an_offset_that_noise_makes_seem_more_after_a_run_than_before_is_no_brake(seed):
    levels = [(1, 0.3), *spin_up(1.0), (20, 1.0), (3, 1.8), (4, 1.0), (40, 0.3)]
    end, stop = ends(story(levels, rate=6.0, noise=0.15, seed=seed))
    assert (end, stop) == (pytest.approx(32.5, abs=0.3), None)


def test_two_samples_of_noise_a_moment_after_a_brake_leave_it_the_brake():
    levels = [(20, 0.35), *spin_up(3.4), (20, 3.4), (0.2, 0.5), (1.6, 11.0), (0.8, 0.35), (0.4, 0.8), (40, 0.35)]
    end, stop = ends(story(levels, rate=5.0))
    assert end == pytest.approx(44.5, abs=0.3)
    assert stop == pytest.approx(1.8, abs=0.3)


def test_a_wild_sample_of_a_cut_whose_end_a_silence_hides_is_no_pause_before_the_usual_brake():
    wood = [(0.1, 14 * (1 + 0.03 * np.sin(1.7 * k))) for k in range(26)]
    levels = [(20, 0.0), *spin_up(7.5), (20, 7.5), (12.7, 14.0), (0.2, 13.0), *wood, (10, 14.0), (3, 7.5), (40, 0.0)]
    heard = lost(wild(story(levels, rate=24.0, noise=0.1), 57.4), 60, 74)
    habits = Habits(brake_seen=True, brake_us=(2_400_000, 2_900_000))
    (run,) = [f for f in derive("heron", heard, DetectSettings(habits=habits)) if isinstance(f, Run)]
    assert seconds(run)[1] == pytest.approx(60.0, abs=0.1)


def test_a_lost_pack_between_the_stop_and_the_brakes_current_leaves_it_the_brake():
    levels = [(20, 0.02), *spin_up(), (20, 3.0), (0.5, 0.0), (4.0, 6.0), (40, 0.02)]
    end, stop = ends(lost(story(levels, rate=20.0), 44.9, 46.2))
    assert end == pytest.approx(44.5, abs=0.1)
    assert stop == pytest.approx(4.5, abs=0.1)
