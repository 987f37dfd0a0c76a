"""Counts of cuts, and a signal drawn in few points."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from api.answers.cuts import CutCounts, count_cuts
from api.answers.envelope import Envelope, changes
from collector.facts import SECOND
from collector.outline import outline_of
from collector.signals import Series
from tests.api.conftest import MORNING, at


def test_cuts_are_counted_by_direction_the_running_one_included():
    assert count_cuts(outline_of(MORNING), at("00:00:00"), at("23:00:00")) == CutCounts(1, 1, 1)


def test_a_cut_counts_in_the_period_in_which_it_starts():
    assert count_cuts(outline_of(MORNING), at("07:01:30"), at("07:04:10")).total == 1
    assert count_cuts(outline_of(MORNING), at("07:01:00"), at("07:04:00")).total == 1


readings = st.lists(
    st.tuples(st.integers(0, 2_000), st.integers(-5, 60_000)),
    min_size=1,
    max_size=200,
    unique_by=lambda r: r[0],
)


@given(readings, st.integers(2, 60), st.integers(1, 2_000))
def test_an_envelope_keeps_extremes_and_mean_whatever_the_pieces(pairs, points, split):
    series = Series.of([t * SECOND for t, _ in pairs], [v for _, v in pairs])
    env = Envelope(0, 2_001 * SECOND, points)
    env.add(series.between(0, split * SECOND))
    env.add(series.between(split * SECOND, 2_001 * SECOND))
    rows = env.rows()
    assert len(rows) <= points
    assert [r.t for r in rows] == sorted({r.t for r in rows})
    full = [r for r in rows if r.mean is not None]
    assert max(r.high for r in full) == max(v for _, v in pairs)
    assert min(r.low for r in full) == min(v for _, v in pairs)
    assert all(r.low <= r.mean <= r.high for r in full)
    once = Envelope(0, 2_001 * SECOND, points)
    once.add(series)
    assert once.rows() == rows


def test_with_room_enough_every_reading_is_a_row():
    env = Envelope(0, 1_000, 4_000)
    env.add(Series.of([0, 10, 999], [1, 2, 3]))
    assert [(r.t, r.low, r.high, r.mean) for r in env.rows()] == [(0, 1, 1, 1), (10, 2, 2, 2), (999, 3, 3, 3)]


def test_a_silence_above_15_seconds_is_a_row_without_values_and_a_shorter_one_is_none():
    t = np.array([0, 10, 25, 41, 50]) * SECOND
    env = Envelope(0, 60 * SECOND, 100)
    env.add(Series.of(t, np.arange(5, dtype=np.int32)))
    assert [(r.t / SECOND, r.high) for r in env.rows()] == [
        (0, 0),
        (10, 1),
        (25, 2),
        (33, None),
        (41, 3),
        (50, 4),
    ]


def test_a_switch_is_drawn_by_its_changes():
    s = changes(Series.of([1, 2, 3, 4, 5], [1, 1, 0, 0, 1]), 10)
    assert (s.t.tolist(), s.v.tolist()) == ([1, 3, 5], [1, 0, 1])
    assert len(changes(Series.empty(), 10)) == 0
