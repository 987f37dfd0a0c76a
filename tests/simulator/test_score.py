"""Scoring found facts: one to one, by overlap of at least half of the longer, fair round holes."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.facts import SECOND, Cut, Direction, DoorVisit, Gap, Run
from simulator.difficulties import SCENARIOS
from simulator.score import Score, match
from simulator.truth import TrueCut, Truth


def cut(start: float, end: float, direction: Direction = Direction.VERTICAL) -> Cut:
    return Cut("heron", round(start * SECOND), round(end * SECOND), direction, 4000, 5000, 3000, False, None)


def truth(*cuts: TrueCut | Cut, holes: tuple[tuple[float, float], ...] = ()) -> Truth:
    out = Truth("heron", 0, 1000 * SECOND)
    out.cuts = [c if isinstance(c, TrueCut) else TrueCut(c) for c in cuts]
    out.holes = [(round(a * SECOND), round(b * SECOND)) for a, b in holes]
    return out


@settings(max_examples=40, deadline=None)
@given(name=st.sampled_from(sorted(SCENARIOS)), seed=st.integers(0, 2**31))
def test_the_truth_found_exactly_is_a_perfect_score(name: str, seed: int) -> None:
    played = SCENARIOS[name](seed)
    score = match(played.facts, list(reversed(played.facts.facts())))
    assert score.complaints == []
    assert (score.f1, score.direction) == (1.0, 1.0)
    assert (score.runs_exact, score.doors_exact, score.gaps_exact) == (True, True, True)
    assert (score.stop_wrong, score.door_flags_wrong) == (0, [])
    assert set(score.start_errors + score.end_errors) <= {0.0}


def test_f1_by_hand() -> None:
    # Three of four found, one invented: precision 3/4, recall 3/4.
    score = match(
        truth(cut(0, 10), cut(20, 30), cut(40, 50), cut(60, 70)), [cut(0, 10), cut(20, 30), cut(40, 50), cut(80, 90)]
    )
    assert score.f1 == 0.75
    assert [c.cut.start for c in score.missed] == [60 * SECOND]
    assert [c.start for c in score.invented] == [80 * SECOND]


def test_nothing_to_find_and_nothing_found_is_perfect_and_something_found_is_not() -> None:
    assert match(truth(), []).f1 == 1
    assert match(truth(), [cut(0, 10)]).f1 == 0
    assert match(truth(cut(0, 10)), []).f1 == 0


def test_half_of_the_longer_suffices_and_less_does_not() -> None:
    assert match(truth(cut(0, 10)), [cut(5, 15)]).matched == 1
    assert match(truth(cut(0, 10)), [cut(5.1, 15.1)]).matched == 0
    assert match(truth(cut(0, 10)), [cut(0, 20)]).matched == 1
    assert match(truth(cut(0, 10)), [cut(0, 20.1)]).matched == 0


def test_one_cut_found_in_two_pieces_is_one_right_and_one_invented() -> None:
    score = match(truth(cut(0, 10)), [cut(0, 6), cut(7, 10)])
    assert (score.matched, len(score.missed), len(score.invented)) == (1, 0, 1)


def test_two_cuts_found_as_one_are_one_right_and_one_missed() -> None:
    score = match(truth(cut(0, 10), cut(11.3, 18)), [cut(0, 18)])
    assert (score.matched, len(score.missed), len(score.invented)) == (1, 1, 0)


def test_each_found_cut_counts_for_one_true_cut_only() -> None:
    score = match(truth(cut(0, 10)), [cut(0, 10), cut(0, 10)])
    assert (score.matched, len(score.invented)) == (1, 1)


def test_errors_are_signed_seconds_and_their_medians_are_of_absolute_values() -> None:
    score = match(truth(cut(0, 10), cut(20, 30), cut(40, 50)), [cut(0.1, 10.2), cut(19.9, 30.2), cut(40.3, 49.5)])
    assert score.start_errors == pytest.approx([0.1, -0.1, 0.3], abs=1e-6) or sorted(
        score.start_errors
    ) == pytest.approx([-0.1, 0.1, 0.3])
    assert score.start_error == pytest.approx(0.1)
    assert score.end_error == pytest.approx(0.2)


def test_a_wrong_or_unknown_direction_is_wrong() -> None:
    true = truth(cut(0, 10), cut(20, 30), cut(40, 50))
    score = match(true, [cut(0, 10), cut(20, 30, Direction.HORIZONTAL), cut(40, 50, Direction.UNKNOWN)])
    assert score.direction == pytest.approx(1 / 3)
    assert len(score.direction_wrong) == 2


def test_a_bump_that_is_found_is_an_invention() -> None:
    true = truth(cut(0, 10))
    true.bumps = [TrueCut(cut(20, 20.7))]
    assert len(match(true, [cut(0, 10), cut(20, 20.7)]).invented) == 1


def test_an_unseen_cut_is_neither_missed_nor_invented() -> None:
    true = truth(TrueCut(cut(0, 10), unseen=True, partial=True), holes=((0, 10),))
    assert match(true, []).f1 == 1
    assert match(true, [cut(1, 9)]).f1 == 1


def test_a_partial_cut_may_end_where_the_readings_did() -> None:
    true = truth(TrueCut(cut(0, 20), partial=True, end_seen=False), holes=((4, 60),))
    score = match(true, [cut(0.2, 4)])
    assert (score.matched, score.f1) == (1, 1)
    assert score.start_errors == pytest.approx([0.2])
    assert score.end_errors == []


def test_pieces_of_a_partial_cut_are_no_inventions_but_none_found_is_a_miss() -> None:
    true = truth(TrueCut(cut(0, 20), partial=True), holes=((8, 12),))
    assert match(true, [cut(0, 8), cut(12, 20)]).f1 == 1
    assert match(true, []).f1 == 0


def test_runs_must_be_as_many_and_as_long() -> None:
    true = truth()
    true.runs = [Run("heron", 0, 100 * SECOND, 40_000, 2_900_000, 0)]
    right = Run("heron", 100_000, 100 * SECOND - 200_000, 41_000, 2_800_000, 0)
    score = match(true, [right])
    assert score.runs_exact
    assert score.stop_errors == pytest.approx([-0.1])
    assert not match(true, []).runs_exact
    assert not match(true, [right, replace(right, start=200 * SECOND, end=210 * SECOND)]).runs_exact
    assert not match(true, [replace(right, end=99 * SECOND)]).runs_exact
    assert match(true, [replace(right, stop_us=None)]).stop_wrong == 1


def test_whether_a_run_was_broken_inside_a_hole_is_not_asked() -> None:
    one = Run("heron", 0, 100 * SECOND, None, None, 0)
    two = [replace(one, end=40 * SECOND), replace(one, start=60 * SECOND)]
    true = truth(holes=((39, 61),))
    true.runs = [one]
    assert match(true, two).runs_exact
    true.runs = two
    assert match(true, [one]).runs_exact
    true.holes = []
    assert not match(true, [one]).runs_exact


def test_a_door_seen_late_for_a_hole_is_exact_and_a_wrong_flag_is_told() -> None:
    true = truth(holes=((95, 101),))
    true.doors = [DoorVisit("heron", 100 * SECOND, 130 * SECOND, False, False)]
    assert match(true, [DoorVisit("heron", 108 * SECOND, 130 * SECOND, False, False)]).doors_exact
    assert not match(true, [DoorVisit("heron", 113 * SECOND, 130 * SECOND, False, False)]).doors_exact
    assert len(match(true, [DoorVisit("heron", 101 * SECOND, 130 * SECOND, True, False)]).door_flags_wrong) == 1


def test_a_gap_is_exact_to_the_microsecond() -> None:
    true = truth()
    true.gaps = [Gap("heron", 0, 20 * SECOND)]
    assert match(true, [Gap("heron", 0, 20 * SECOND)]).gaps_exact
    assert not match(true, [Gap("heron", 1, 20 * SECOND)]).gaps_exact
    assert not match(true, []).gaps_exact


def test_scores_add_up() -> None:
    a = match(truth(cut(0, 10)), [cut(0, 10)])
    b = match(truth(cut(0, 10)), [])
    assert (a + b).f1 == pytest.approx(2 / 3)
    assert (Score() + a).f1 == 1
