"""What people say about cuts finds its cut again, once, and changes what counts and nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import portion
from hypothesis import given
from hypothesis import strategies as st

from collector.facts import SECOND, Cut, Direction, Gap, Run
from collector.marks import (
    Mark,
    MarkKind,
    corrected_facts,
    corrected_outline,
    drawn_cut,
    match,
    match_marks,
    score,
)
from collector.outline import DIRECTIONS, outline_of
from collector.signals import Series, Trace


def cut(start: int, end: int | None, direction: Direction = Direction.VERTICAL) -> Cut:
    return Cut("heron", start, end, direction, 6100, 7400, 3200, lock_moved=False, station=None)


def none(start: int, end: int) -> Mark:
    return Mark("heron", MarkKind.NO_CUT, start, end, "operator", 1)


def missed(start: int, end: int, direction: Direction = Direction.HORIZONTAL) -> Mark:
    return Mark("heron", MarkKind.MISSED_CUT, start, end, "operator", 1, direction=direction)


def starts(facts) -> list[int]:
    return sorted(f.start for f in facts if isinstance(f, Cut))


@st.composite
def cut_lists(draw):
    """Cuts one after the other, some touching."""
    at, found = 0, []
    for gap, length in draw(st.lists(st.tuples(st.integers(0, 9), st.integers(1, 12)), max_size=12)):
        at += gap
        found.append(cut(at, at + length, draw(st.sampled_from(list(Direction)))))
        at += length
    return found


spans = st.tuples(st.integers(0, 150), st.integers(1, 20)).map(lambda s: (s[0], s[0] + s[1]))
said = st.lists(st.tuples(st.booleans(), spans), max_size=10).map(
    lambda rows: [none(*span) if kind else missed(*span) for kind, span in rows]
)


def shared(a: Mark, b: Cut) -> tuple[int, int]:
    """Time that both have, by a general interval library, and the longer's length."""
    both = portion.closedopen(a.start, a.end) & portion.closedopen(b.start, b.end)
    return (0 if both.empty else both.upper - both.lower), max(a.end - a.start, b.end - b.start)


@given(said, cut_lists())
def test_a_mark_finds_a_cut_only_with_half_the_longers_time_and_no_cut_twice(marks, cuts):
    found = match_marks(marks, cuts)
    taken = [(m.kind, c.start) for m, c in zip(marks, found, strict=True) if c is not None]
    assert len(taken) == len(set(taken))
    for mark, its in zip(marks, found, strict=True):
        if its is not None:
            both, longer = shared(mark, its)
            assert 2 * both >= longer


@given(said, cut_lists())
def test_a_cut_with_more_than_half_of_a_mark_no_cut_never_counts(marks, cuts):
    left = starts(corrected_facts(cuts, cuts, [m for m in marks if m.kind is MarkKind.NO_CUT]))
    for c in cuts:
        hit = [m for m in marks if m.kind is MarkKind.NO_CUT and 2 * shared(m, c)[0] > shared(m, c)[1]]
        if hit:
            assert c.start not in left


@given(said, cut_lists())
def test_nothing_is_counted_twice_and_nothing_is_lost(marks, cuts):
    after = corrected_facts(cuts, cuts, marks)
    found = match_marks(marks, cuts)
    gone = sum(m.kind is MarkKind.NO_CUT and c is not None for m, c in zip(marks, found, strict=True))
    drawn = sum(m.kind is MarkKind.MISSED_CUT and c is None for m, c in zip(marks, found, strict=True))
    assert len(after) == len(cuts) - gone + drawn


@given(said, cut_lists())
def test_facts_and_their_outline_are_corrected_alike(marks, cuts):
    no_cut = np.array([(m.start, m.end) for m in marks if m.kind is MarkKind.NO_CUT], np.int64).reshape(-1, 2)
    drawn = np.array(
        [(m.start, m.end, DIRECTIONS.index(m.direction)) for m in marks if m.kind is MarkKind.MISSED_CUT], np.int64
    ).reshape(-1, 3)
    lined = corrected_outline(outline_of(cuts), no_cut, drawn)
    assert sorted(map(tuple, lined.tolist())) == sorted(
        map(tuple, outline_of(corrected_facts(cuts, cuts, marks)).tolist())
    )
    assert (np.diff(lined[:, 1]) >= 0).all()


@given(said, cut_lists(), st.data())
def test_a_derivation_that_moves_ends_a_little_changes_no_verdict(marks, cuts, data):
    """Every boundary moves by less than a twentieth of the cut: a mark made on the cut itself finds it again."""
    if not cuts:
        return
    chosen = data.draw(st.sampled_from(cuts))
    scaled = [replace(c, start=c.start * 100, end=c.end * 100) for c in cuts]
    mark = none(chosen.start * 100, chosen.end * 100)
    moved = [
        replace(
            c,
            start=c.start + data.draw(st.integers(0, (c.end - c.start) // 20)),
            end=c.end - data.draw(st.integers(0, (c.end - c.start) // 20)),
        )
        for c in scaled
    ]
    (its,) = match_marks([mark], moved)
    assert its is not None
    assert its.start // 100 - chosen.start <= (chosen.end - chosen.start) // 20 + 1


def test_of_two_equal_halves_the_earlier_is_meant():
    cuts = np.array([[0, 10], [10, 20]], np.int64)
    assert match(np.array([[0, 20]], np.int64), cuts).tolist() == [0]


def test_a_cut_that_is_none_can_be_drawn_better_in_its_place():
    cuts = [cut(0, 100)]
    after = corrected_facts(cuts, cuts, [none(0, 100), missed(0, 80)])
    assert [(c.start, c.end, c.direction) for c in after] == [(0, 80, Direction.HORIZONTAL)]


def test_a_drawn_cut_that_is_found_later_counts_once_with_the_persons_direction():
    after = corrected_facts([cut(3, 100)], [cut(3, 100)], [missed(0, 100)])
    assert [(c.start, c.end, c.direction, c.mean_ma) for c in after] == [(3, 100, Direction.HORIZONTAL, 6100)]


def test_a_run_counts_its_cuts_as_corrected_and_other_facts_stay():
    run = Run("heron", 0, 1000, 24_000, None, 2)
    gap = Gap("heron", 2000, 3000)
    cuts = [cut(10, 50), cut(100, 150)]
    after = corrected_facts([run, gap], cuts, [none(10, 50), missed(300, 340), missed(400, 440)])
    assert replace(run, cuts=3) in after
    assert gap in after


def test_a_cut_that_goes_on_is_no_mans_yet():
    assert match_marks([none(0, 100)], [cut(0, None)]) == [None]


def test_the_score_by_marks_of_a_hand_worked_day():
    """Ten found, two of them none, one missed, and one drawn that is found by now: 8/10 and 8/9."""
    cuts = [cut(100 * i, 100 * i + 50) for i in range(10)]
    found = score(cuts, [none(0, 50), none(100, 150), missed(5000, 5050), missed(200, 250)])
    assert (found.right, found.wrong, found.missed) == (8, 2, 1)
    assert found.precision == 8 / 10
    assert found.recall == 8 / 9


def test_no_score_where_there_is_nothing():
    assert score([], []).precision is None
    assert score([], []).recall is None


def test_a_drawn_cut_takes_its_currents_from_the_trace():
    t = np.arange(0, 40 * SECOND, SECOND // 10)
    v = np.where((t >= 10 * SECOND) & (t < 20 * SECOND), 5000, 3200)
    v[5] = 0
    trace = Trace(Series.of(t, v), Series.empty(), Series.empty(), Series.empty())
    mark = drawn_cut(missed(10 * SECOND, 20 * SECOND), Direction.VERTICAL, trace)
    assert mark is not None
    assert (mark.mean_ma, mark.peak_ma, mark.idle_ma, mark.direction) == (5000, 5000, 3200, Direction.VERTICAL)
    assert drawn_cut(missed(50 * SECOND, 60 * SECOND), Direction.VERTICAL, trace) is None
