"""The motor's runs, its brake, the door, and silences."""

from __future__ import annotations

import numpy as np
import pytest

from collector.detect.detector import Detector, derive
from collector.facts import SECOND, Conflict, Cut, DoorVisit, Gap, Run, State
from collector.signals import Series, Trace, merge
from tests.detect.build import at, seconds, spin_up, story


def of(kind, facts):
    return [f for f in facts if isinstance(f, kind)]


def test_a_run_goes_from_switching_on_to_switching_off_and_knows_its_starting_current():
    (run,) = of(Run, derive("heron", story([(20, 0.0), *spin_up(), (30, 3.0), (40, 0.0)])))
    assert seconds(run)[0] == pytest.approx(20.0, abs=0.1)
    assert seconds(run)[1] == pytest.approx(54.5, abs=0.1)
    assert run.inrush_ma == pytest.approx(36_000, abs=300)
    assert run.stop_us is None


@pytest.mark.parametrize("plateau", [1.6, 5.0, 9.0])
@pytest.mark.parametrize("dead", [0.0, 0.3])
def test_a_brake_that_can_be_seen_gives_the_time_to_standstill_and_no_cut(plateau, dead):
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (6, 5.0), (10, 3.0), (dead, 0.0), (2.6, plateau), (40, 0.0)]
    facts = derive("heron", story(levels))
    (run,) = of(Run, facts)
    assert run.stop_us is not None
    assert run.stop_us / SECOND == pytest.approx(2.6 + dead, abs=0.25)
    assert len(of(Cut, facts)) == run.cuts == 1


@pytest.mark.parametrize("gone", [0.15, 0.3, 0.45])
def test_a_cut_that_ends_just_before_switching_off_is_no_brake(gone):
    levels = [(20, 0.0), *spin_up(), (20, 3.0), (2.2, 3.6), (0.1, 3.3), (gone, 3.05), (40, 0.0)]
    facts = derive("heron", story(levels))
    (run,) = of(Run, facts)
    assert run.stop_us is None
    assert seconds(run)[1] == pytest.approx(46.8 + gone, abs=0.1)
    assert len(of(Cut, facts)) == 1


@pytest.mark.parametrize("dead", [0.0, 0.3])
def test_a_brake_a_little_below_idle_is_seen(dead):
    (run,) = of(Run, derive("heron", story([(20, 0.0), *spin_up(), (20, 3.0), (dead, 0.0), (2.0, 2.5), (40, 0.0)])))
    assert run.stop_us is not None
    assert run.stop_us / SECOND == pytest.approx(2.0 + dead, abs=0.2)


def test_how_a_run_stopped_in_a_silence_nobody_knows():
    trace = story([(20, 0.0), *spin_up(), (20, 3.0), (4, 5.0), (2, 3.0), (40, 0.0)])
    (run,) = of(Run, derive("heron", hole(trace, 47, 52)))
    assert run.stop_us is None


def test_an_offset_of_0_3_a_at_standstill_is_no_run():
    assert of(Run, derive("heron", story([(3600, 0.3)], noise=0.1))) == []


def test_a_noisy_sample_of_standstill_long_before_does_not_begin_the_run():
    trace = story([(20, 0.05), *spin_up(), (30, 3.0), (40, 0.0)])
    late = trace.motor.t > at(20)
    t, v = np.append(at(10), trace.motor.t[late]), np.append(640, trace.motor.v[late])
    (run,) = of(Run, derive("heron", Trace(Series(t, v), trace.lock, trace.station, trace.door)))
    assert seconds(run)[0] == pytest.approx(20.0, abs=0.2)


def test_a_wild_sample_of_standstill_long_before_does_not_begin_the_run():
    trace = story([(20, 0.3), *spin_up(), (30, 3.0), (40, 0.0)])
    late = trace.motor.t > at(20)
    t = np.concatenate(([at(5), at(15), at(19.5)], trace.motor.t[late]))
    v = np.concatenate(([21_000, 580, 580], trace.motor.v[late]))
    (run,) = of(Run, derive("heron", Trace(Series(t, v), trace.lock, trace.station, trace.door)))
    assert seconds(run)[0] == pytest.approx(20.0, abs=0.5)


def test_a_small_motor_that_idles_in_star_below_the_on_level_has_started_once():
    levels = [(20, 0.05), (1.5, 7.0), (4.0, 0.42), (0.1, 0.0), (0.1, 9.0), (30, 1.1), (40, 0.05)]
    (run,) = of(Run, derive("heron", story(levels)))
    assert seconds(run)[0] == pytest.approx(20.0, abs=0.1)
    assert seconds(run)[1] == pytest.approx(55.7, abs=0.1)


@pytest.mark.parametrize("seed", range(6))
def test_what_it_takes_in_star_is_held_against_more_than_one_sample_of_standstill(seed):
    levels = [(20, 0.28), (1.5, 7.0), (4.0, 0.46), (0.1, 0.0), (0.1, 9.0), (30, 1.7), (40, 0.28)]
    assert len(of(Run, derive("heron", story(levels, rate=30.0, noise=0.065, seed=seed)))) == 1


def test_a_motor_switched_off_after_a_moment_and_on_again_has_run_twice():
    levels = [(20, 0.05), (1.5, 7.0), (4.0, 0.05), (1.5, 7.0), (30, 1.1), (40, 0.05)]
    assert [seconds(r)[0] for r in of(Run, derive("heron", story(levels)))] == pytest.approx([20.0, 25.5], abs=0.1)


def test_two_wild_samples_of_nothing_do_not_end_a_run_but_a_motor_started_again_does():
    blink = [(20, 0.0), *spin_up(), (20, 3.0), (0.2, 0.0), (20, 3.0), (40, 0.0)]
    assert len(of(Run, derive("heron", story(blink)))) == 1
    as_a_cut_begins = [(20, 0.0), *spin_up(), (20, 3.0), (0.2, 0.0), (4, 4.8), (20, 3.0), (40, 0.0)]
    assert len(of(Run, derive("heron", story(as_a_cut_begins)))) == 1
    again = [(20, 0.0), *spin_up(), (20, 3.0), (0.4, 0.0), *spin_up(), (20, 3.0), (40, 0.0)]
    assert len(of(Run, derive("heron", story(again)))) == 2


def test_a_run_that_is_under_way_when_the_data_begin_has_no_starting_current():
    (run,) = of(Run, derive("heron", story([(60, 3.0), (30, 0.0)])))
    assert run.inrush_ma is None
    assert seconds(run)[1] == pytest.approx(60.0, abs=0.1)


def test_a_door_opened_long_after_the_stop_is_an_ordinary_visit():
    facts = derive("heron", story([(20, 0.0), *spin_up(), (30, 3.0), (90, 0.0)], door=[(0, 1), (80, 0), (120, 1)]))
    (visit,) = of(DoorVisit, facts)
    assert seconds(visit) == (80.0, 120.0)
    assert not visit.before_stop
    assert not visit.current_seen
    assert of(Conflict, facts) == []


def test_a_door_opened_before_the_blade_stood_still_is_told():
    levels = [(20, 0.0), *spin_up(), (30, 3.0), (0.2, 0.0), (3.0, 6.0), (60, 0.0)]
    (visit,) = of(DoorVisit, derive("heron", story(levels, door=[(0, 1), (56.5, 0), (90, 1)])))
    assert visit.before_stop
    assert visit.current_seen


def test_a_brake_that_still_pulls_for_a_moment_as_the_door_opens_is_seen_and_a_contactor_that_falls_is_not():
    levels = [(20, 0.0), *spin_up(), (30, 3.0), (0.2, 0.0), (2.0, 6.0), (60, 0.0)]  # off at 54.5, still at 56.7
    for opened, seen in ((56.35, True), (56.6, False)):
        (visit,) = of(DoorVisit, derive("heron", story(levels, door=[(0, 1), (opened, 0), (90, 1)])))
        assert (visit.before_stop, visit.current_seen) == (True, seen)


def test_motor_current_with_the_door_open_is_a_conflict():
    facts = derive("heron", story([(20, 0.0), *spin_up(), (60, 3.0), (40, 0.0)], door=[(0, 1), (40, 0), (50, 1)]))
    (conflict,) = of(Conflict, facts)
    assert conflict.what == "current_while_door_open"
    assert seconds(conflict) == (40.0, 50.0)


@pytest.mark.parametrize(
    "start",
    [
        [(16.0, 45.0)],  # direct
        [(6.0, 15.0), (10.0, 45.0)],  # star, delta
        [(0.5, 10.0), (0.5, 20.0), (15.0, 30.0)],  # a soft starter at its limit
    ],
)
def test_a_motor_whose_starting_current_stays_cannot_start_and_the_saw_is_in_error_until_it_is_off(start):
    trace, detector = story([(20, 0.0), *start, (40, 0.0)]), Detector("heron")
    detector.feed(trace.between(0, at(32)))
    assert detector.now().state is State.ERROR
    assert [(f.what, f.end) for f in of(Conflict, detector.facts().facts)] == [("cannot_start", None)]
    detector.feed(trace.between(at(32), at(1000)))
    (conflict,) = of(Conflict, detector.facts().facts)
    assert seconds(conflict)[0] == pytest.approx(30.0, abs=0.1)
    assert seconds(conflict)[1] == pytest.approx(36.0, abs=0.2)
    assert detector.now().state is State.STANDBY


@pytest.mark.parametrize("start", [[(8.0, 30.0)], [(8.0, 14.0), (0.1, 0.0), (1.0, 40.0)], [(0.5, 9.0)], []])
def test_a_slow_start_or_one_without_a_peak_is_a_start(start):
    assert of(Conflict, derive("heron", story([(20, 0.0), *start, (30, 9.0), (40, 0.0)]))) == []


def test_a_bouncing_door_switch_makes_one_visit():
    door = [(0, 1), (80, 0), (80.05, 1), (80.1, 0), (110, 1), (110.03, 0), (110.06, 1)]
    assert len(of(DoorVisit, derive("heron", story([(20, 0.0), *spin_up(), (30, 3.0), (90, 0.0)], door=door)))) == 1


def hole(trace: Trace, start: float, end: float) -> Trace:
    return merge([trace.between(0, at(start)), trace.between(at(end), 1 << 62)])


def test_silence_longer_than_15_s_is_a_gap_and_a_short_one_does_not_end_the_run():
    facts = derive("heron", hole(story([(20, 0.0), *spin_up(), (120, 3.0), (40, 0.0)]), 60, 100))
    (gap,) = of(Gap, facts)
    assert seconds(gap) == (60.0, 100.1) or seconds(gap) == (59.9, 100.0)
    assert len(of(Run, facts)) == 1


def test_a_brake_whose_run_was_switched_off_in_a_silence_is_no_run_of_its_own():
    whole = story([(20, 0.0), *spin_up(), (40, 3.0), (0.4, 0.0), (2.5, 9.0), (40, 0.0)])
    heard = merge([whole.between(0, at(50)), whole.between(at(64.6), 1 << 62)])
    (run,) = of(Run, derive("heron", heard))
    assert 50.0 <= seconds(run)[1] <= 65.0


@pytest.mark.parametrize(("start", "end"), [(44.0, 57.05), (45.5, 57.05), (45.5, 57.6)])
def test_a_starting_current_after_a_silence_is_the_next_runs(start, end):
    """It hides the stop, or the brake's end, and standstill."""
    one = [*spin_up(), (20, 3.0), (2.5, 9.0), (10.0, 0.0)]
    trace = hole(story([(20, 0.0), *one, *spin_up(), (30, 3.0), (40, 0.0)]), start, end)
    first, second = of(Run, derive("heron", trace))
    assert 43.9 <= seconds(first)[1] <= 46.1
    assert seconds(second)[0] == pytest.approx(end, abs=0.2)
    assert seconds(second)[1] == pytest.approx(91.5, abs=0.1)


SOFT = [(3.0, 12.0), (5.0, 3.0)]  # a soft start takes little more than a heavy load


@pytest.mark.parametrize("amps", [6.5, 9.0, 11.0])
def test_a_load_after_a_silence_is_no_start(amps):
    work = [*SOFT, (30, 3.0), (3, amps), (20, 3.0)]
    for start, end in [(46.0, 58.2), (50.0, 59.0)]:
        trace = hole(story([(20, 0.0), *work, (40, 0.0)]), start, end)
        assert len(of(Run, derive("heron", trace))) == 1


def test_a_brakes_current_after_a_silence_is_no_start():
    trace = hole(story([(20, 0.0), *SOFT, (30, 3.0), (3.0, 9.0), (40, 0.0)]), 50.0, 58.5)
    assert len(of(Run, derive("heron", trace))) == 1


def test_a_motor_that_stands_for_two_samples_between_a_silence_and_its_start_has_run_twice():
    one = [*spin_up(), (20, 3.0), (8.3, 0.3), (0.1, 0.5)]
    trace = hole(story([(20, 0.0), *one, *spin_up(), (30, 3.0), (40, 0.0)], noise=0.01), 44.0, 52.75)
    assert [seconds(run)[0] for run in of(Run, derive("heron", trace))] == pytest.approx([20.0, 52.9], abs=0.2)


def test_silence_of_many_minutes_ends_the_run_where_the_data_end():
    facts = derive("heron", hole(story([(20, 0.0), *spin_up(), (400, 3.0), (40, 0.0)]), 60, 300))
    first, second = of(Run, facts)
    assert seconds(first)[1] == pytest.approx(60.0, abs=0.2)
    assert seconds(second)[0] == pytest.approx(300.0, abs=0.2)
    assert second.inrush_ma is None


def test_silence_shorter_than_15_s_is_no_gap():
    assert of(Gap, derive("heron", hole(story([(20, 0.0), *spin_up(), (120, 3.0), (40, 0.0)]), 60, 74))) == []


def test_the_present_follows_the_saw():
    trace = story([(20, 0.0), *spin_up(), (10, 3.0), (6, 5.0), (10, 3.0), (40, 0.0)], lock=[(0, 1)], door=[(0, 1)])
    detector, seen = Detector("heron"), {}
    for second in range(1, 90):
        detector.feed(trace.between(at(second - 1) + 1, at(second) + 1))
        seen[second] = detector.now().state
        detector.facts()
    assert seen[15] is State.STANDBY
    assert seen[30] is State.READY
    assert seen[38] is State.WORKING
    assert seen[45] is State.READY
    assert seen[60] is State.STANDBY
    assert detector.now().locked is True
    assert detector.now().door_closed is True


def test_there_is_no_present_before_the_first_reading():
    with pytest.raises(ValueError, match="no reading"):
        Detector("heron").now()


def test_only_the_door_was_heard_of():
    trace = Trace(Series.empty(), Series.empty(), Series.empty(), Series.of([at(0), at(5), at(9)], [1, 0, 1]))
    (visit,) = derive("heron", trace)
    assert isinstance(visit, DoorVisit)
