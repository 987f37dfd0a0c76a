"""The second maker of traces keeps its own rules, and its scorer sees every kind of mistake."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from collector.facts import SECOND, Cut, Direction, DoorVisit, Gap, Run
from tests.detect.other_saw import BEYOND, FAMILIES, HARD, judge, tell


@pytest.mark.parametrize("family", [*FAMILIES, *BEYOND])
def test_truth_scores_full_marks_against_itself(family):
    told = tell(family, 7, seconds=400)
    score = judge(told, told.truth)
    assert (score.f1, score.runs, score.doors, score.gaps, score.brakes) == (1.0, (), (), (), ())
    assert all(score.directions)


def test_a_seed_tells_the_same_story_every_time_and_another_seed_another():
    one, again, other = tell("everything", 3, 300), tell("everything", 3, 300), tell("everything", 4, 300)
    assert one.trace.same(again.trace)
    assert one.truth == again.truth
    assert not one.trace.same(other.trace)


@pytest.mark.parametrize("family", HARD)
def test_cuts_stand_as_far_apart_as_promised(family):
    for seed in range(3):
        cuts = [f for f in tell(family, seed, 600).truth if isinstance(f, Cut)]
        apart = [b.start - a.end for a, b in pairwise(cuts) if a.end]
        assert min(apart, default=2 * SECOND) >= 1.3 * SECOND - 2
        whole = [c.end - c.start for c in cuts[1:-1]]
        assert min(whole, default=2 * SECOND) >= 1.5 * SECOND - 2


def test_the_idle_current_of_a_cold_saw_falls_by_a_third():
    told = tell("cold", 1)
    run = next(f for f in told.truth if isinstance(f, Run))
    motor = told.trace.motor
    cut = next(f for f in told.truth if isinstance(f, Cut))
    cold = np.median(motor.between(cut.start - SECOND, cut.start).v) / 1000
    warm = told.saw.idle * told.saw.full
    gone = (cut.start - run.start) / SECOND / told.saw.warm_up
    assert cold / warm == pytest.approx(1 + 0.5 * np.exp(-gone), abs=0.05)


def test_a_silence_in_mid_run_is_a_gap_of_the_readings_themselves():
    told = next(t for t in (tell("holes", s) for s in range(20)) if any(isinstance(f, Gap) for f in t.truth))
    gap = next(f for f in told.truth if isinstance(f, Gap))
    assert len(told.trace.between(gap.start + 1, gap.end)) == 0
    assert len(told.trace.between(gap.start, gap.start + 1)) > 0
    assert 15 * SECOND < gap.end - gap.start < 62 * SECOND


def _ordinary():
    told = tell("ordinary", 5, 600)
    assert any(isinstance(f, DoorVisit) for f in told.truth)
    return told


def test_the_scorer_sees_a_missed_and_an_invented_cut():
    told = _ordinary()
    cuts = [f for f in told.truth if isinstance(f, Cut)]
    less = judge(told, [f for f in told.truth if f is not cuts[0]])
    assert less.missed == (cuts[0],)
    assert less.f1 == pytest.approx(2 * (len(cuts) - 1) / (2 * len(cuts) - 1))
    moved = replace(cuts[0], start=cuts[0].start - 500 * SECOND, end=cuts[0].end - 500 * SECOND)
    assert judge(told, [*told.truth, moved]).invented == (moved,)


def test_two_cuts_taken_as_one_cost_two_and_invent_one():
    told = _ordinary()
    a, b = [f for f in told.truth if isinstance(f, Cut)][:2]
    both = replace(a, start=a.start - (b.start - a.start), end=b.end)
    score = judge(told, [*(f for f in told.truth if f not in (a, b)), both])
    assert (score.missed, score.invented) == ((a, b), (both,))


def test_the_scorer_sees_wrong_directions_ends_flags_and_gaps():
    told = _ordinary()

    def but(kind, **change):
        one = next(f for f in told.truth if isinstance(f, kind))
        return judge(told, [replace(f, **change) if f is one else f for f in told.truth])

    assert sum(not d for d in but(Cut, direction=Direction.UNKNOWN).directions) == 1
    run = next(f for f in told.truth if isinstance(f, Run))
    assert but(Run, end=run.end + SECOND).runs
    assert but(Run, stop_us=None).brakes
    visit = next(f for f in told.truth if isinstance(f, DoorVisit))
    assert but(DoorVisit, before_stop=not visit.before_stop).doors
    assert judge(told, [*told.truth, Gap(run.saw, run.start, run.end)]).gaps
