"""Interval arithmetic, held against the general interval library `portion` on random input."""

from __future__ import annotations

import itertools

import numpy as np
import portion
from hypothesis import given
from hypothesis import strategies as st

from api.answers import intervals

rows = st.lists(st.tuples(st.integers(-40, 40), st.integers(-40, 40)), max_size=12)
hours = st.sampled_from([1, 3_600_000_000])  # small numbers meet often; large ones show an overflow


def reference(pairs, scale=1):
    out = portion.empty()
    for start, end in pairs:
        out |= portion.closedopen(start * scale, end * scale)
    return out


def as_portion(spans):
    return reference(spans.tolist())


def made(pairs, scale=1):
    return intervals.spans([(a * scale, b * scale) for a, b in pairs])


def is_proper(spans):
    flat = spans.ravel()
    return spans.dtype == np.int64 and spans.shape[1:] == (2,) and bool((flat[1:] > flat[:-1]).all())


@given(rows, hours)
def test_spans_are_the_union_of_rows_in_any_order(pairs, scale):
    assert is_proper(made(pairs, scale))
    assert as_portion(made(pairs, scale)) == reference(pairs, scale)


@given(rows, rows, hours)
def test_union_intersection_and_difference_are_those_of_sets(a, b, scale):
    x, y, p, q = made(a, scale), made(b, scale), reference(a, scale), reference(b, scale)
    for ours, theirs in [
        (intervals.union(x, y), p | q),
        (intervals.intersect(x, y), p & q),
        (intervals.subtract(x, y), p - q),
    ]:
        assert is_proper(ours)
        assert as_portion(ours) == theirs


@given(rows)
def test_total_is_the_sum_of_lengths(pairs):
    assert intervals.total(made(pairs)) == sum(i.upper - i.lower for i in reference(pairs) if not i.empty)


@given(rows, st.integers(-50, 50), st.integers(-50, 50))
def test_clip_is_the_intersection_with_a_period(pairs, start, end):
    assert as_portion(intervals.clip(made(pairs), start, end)) == reference(pairs) & portion.closedopen(start, end)


@given(rows, st.lists(st.integers(-45, 45), min_size=2, max_size=8, unique=True).map(sorted))
def test_bucket_totals_are_the_totals_of_each_bucket(pairs, edges):
    spans = made(pairs)
    direct = [intervals.total(intervals.clip(spans, a, b)) for a, b in itertools.pairwise(edges)]
    assert intervals.total_by_bucket(spans, np.array(edges)).tolist() == direct


@given(rows, st.lists(st.integers(-45, 45), max_size=10))
def test_a_start_is_inside_and_an_end_is_not(pairs, times):
    theirs = [t in reference(pairs) for t in times]
    assert intervals.inside(made(pairs), np.array(times, np.int64)).tolist() == theirs


def test_intervals_that_touch_become_one():
    assert intervals.spans([(2, 3), (1, 2)]).tolist() == [[1, 3]]
