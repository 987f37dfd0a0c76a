"""The control chart against the handbook's example and the published run lengths, and on made-up cuts."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.answers import wear
from api.answers.wear import Cuts, chart, ewma, limits, yardstick
from collector.outline import OPEN

# NIST/SEMATECH e-Handbook of Statistical Methods, §6.3.2.4 EWMA Control Charts (pmc324.htm): EWMA_0 = 50, s = 2.0539,
# λ = 0.3, k = 3; the page prints the averages to two decimals.
NIST_DATA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
             49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
NIST_EWMA = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
             50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip


def test_the_handbooks_example_comes_out_point_for_point():
    assert ewma(np.array(NIST_DATA), 0.3, 50.0).round(2).tolist() == NIST_EWMA


def test_the_handbooks_limits_come_out():
    low, high = limits(50.0, 2.0539, 0.3, 3.0)
    assert (low, high) == (pytest.approx(47.4115, abs=2e-4), pytest.approx(52.5884, abs=2e-4))
    assert all(low < z < high for z in NIST_EWMA)


# Lucas & Saccucci, Technometrics 32 (1990), Table 3, as reprinted in Montgomery, Introduction to Statistical Quality
# Control, Table 9.11 (from memory): schemes with an in-control run length of about 500, and theirs after a shift.
PUBLISHED = [(0.40, 3.054, 0.5, 71.2), (0.25, 2.998, 0.5, 48.2), (0.20, 2.962, 0.5, 41.8), (0.10, 2.814, 0.5, 31.3),
             (0.05, 2.615, 0.5, 28.8), (0.10, 2.814, 1.0, 10.3), (0.05, 2.615, 1.0, 11.4)]  # fmt: skip


def run_length(weight, width, shift, seed, lines=4000, longest=6000):
    """Mean run length of the two-sided chart on independent normal figures, by simulation of many charts at once."""
    rng = np.random.default_rng(seed)
    _, limit = limits(0.0, 1.0, weight, width)
    z, length = np.zeros(lines), np.full(lines, longest)
    for i in range(1, longest + 1):
        z += weight * (rng.standard_normal(len(z)) + shift - z)
        out = np.abs(z) > limit
        if out.any():
            alive = np.flatnonzero(length == longest)
            length[alive[out]] = i
            z = z[~out]
            if not len(z):
                break
    return length.mean()


@pytest.mark.parametrize(("weight", "width"), sorted({(w, x) for w, x, _, _ in PUBLISHED}))
def test_the_in_control_run_length_is_the_published_one(weight, width):
    assert run_length(weight, width, 0.0, 1, lines=3000) == pytest.approx(500, rel=0.06)


@pytest.mark.parametrize(("weight", "width", "shift", "published"), PUBLISHED)
def test_the_run_length_after_a_shift_is_the_published_one(weight, width, shift, published):
    assert run_length(weight, width, shift, 2) == pytest.approx(published, rel=0.06)


def some_cuts(n, seed, heavier=1.0, first=0):
    """Sheets of five cuts alike, two horizontal and three vertical; a fast feed makes a cut heavy and short."""
    rng = np.random.default_rng(seed)
    sheets = -(-n // 5)
    board = np.repeat(rng.normal(0, 0.3, sheets), 5)[:n]
    feed = np.repeat(rng.uniform(-0.4, 0.4, sheets), 5)[:n] + rng.normal(0, 0.05, n)
    vertical = np.tile([0, 0, 1, 1, 1], sheets)[:n]
    length = np.where(vertical, rng.normal(-0.3, 0.3, n), rng.normal(1.0, 0.05, n))
    load = 2000 * np.exp(board + feed) * heavier
    seconds = 6 * np.exp(length - feed)
    return Cuts(np.arange(first, first + n, dtype=np.int64) * 60_000_000, seconds, load, vertical.astype(np.int64))


def joined(*parts):
    return Cuts(*(np.concatenate([getattr(p, f) for p in parts]) for f in ("start", "seconds", "load_ma", "direction")))


def test_duration_tells_most_of_the_feed():
    stick = yardstick(some_cuts(3000, 1))
    assert stick.slope[1] < -0.3  # verticals differ in length too, so duration tells less of their feed
    assert stick.slope[0] == pytest.approx(-1.0, abs=0.1)
    raw = np.log(some_cuts(3000, 1).load_ma)
    assert stick.spread < 0.9 * raw.std()
    assert stick.autocorrelation[0] > 0.5  # cuts of one sheet are alike


def test_a_blade_that_needs_half_again_the_load_is_called_and_a_fresh_one_is_not():
    stick = yardstick(some_cuts(3000, 1))
    fresh = some_cuts(800, 9)
    assert chart(fresh, stick).seen == []
    dull = joined(fresh, some_cuts(200, 8, heavier=1.6, first=800))
    found = chart(dull, stick)
    assert found.heavier
    assert 600 <= found.since < 660  # 800 less the baseline
    assert found.ratio == pytest.approx(1.6, rel=0.2)


def spells_of(*load):
    x = np.log(np.concatenate([np.full(n, ratio) for n, ratio in load]))
    return wear._signal(x, wear.ewma(x, wear.LAMBDA, 0.0), 0.3)


def test_a_signal_stays_on_while_the_cuts_after_it_bear_it_out():
    assert spells_of((300, 1.0), (800, 1.5)) == [(344, None)]  # 0.97^45 < 1 - 0.3 / ln 1.5 < 0.97^44


def test_a_signal_that_two_hundred_cuts_did_not_bear_out_is_withdrawn_and_can_come_again():
    assert spells_of((300, 1.0), (60, 1.6), (600, 1.1)) == [(333, 533)]
    assert spells_of((300, 1.0), (60, 1.6), (440, 1.1), (400, 1.5)) == [(333, 533), (835, None)]


def test_heavy_cuts_and_light_ones_among_them_do_not_make_a_signal_come_and_go():
    assert spells_of((300, 1.0), *((50, 1.7), (50, 1.05)) * 10) == [(327, None)]


@given(st.lists(st.tuples(st.integers(1, 300), st.floats(0.5, 2.0)), min_size=1, max_size=8))
def test_signals_follow_each_other_and_each_lasts_as_long_as_it_must_be_borne_out(load):
    spells = spells_of(*load)
    ends = [end for _, end in spells]
    assert None not in ends[:-1]
    assert all(end - begun >= wear.BORNE_OUT for begun, end in spells if end is not None)
    assert all(a[1] < b[0] for a, b in pairwise(spells))


def test_a_blade_is_not_judged_before_its_baseline_is_full():
    stick = yardstick(some_cuts(3000, 1))
    assert chart(some_cuts(wear.BASELINE - 1, 2), stick) is None
    assert yardstick(some_cuts(wear.BASELINE - 1, 2)) is None


def test_one_wild_cut_moves_the_chart_no_further_than_two_and_a_half_deviations_do():
    stick = yardstick(some_cuts(3000, 1))
    cuts = some_cuts(201, 3)
    cuts.load_ma[200] = 1e6
    assert chart(cuts, stick).z[-1] == pytest.approx(wear.LAMBDA * wear.CLIP * stick.spread)


def test_a_shop_with_long_series_of_one_material_gets_a_wider_limit():
    mixed = some_cuts(3000, 1)
    boards = np.exp(np.repeat(np.random.default_rng(5).normal(0, 0.3, 100), 30))
    series = Cuts(mixed.start, mixed.seconds, mixed.load_ma * boards, mixed.direction)
    assert yardstick(series).variance(0.03, 200) > 1.5 * yardstick(mixed).variance(0.03, 200)


def test_a_dulling_blade_in_the_history_does_not_widen_the_limit():
    mixed = some_cuts(3000, 1)
    ramp = Cuts(mixed.start, mixed.seconds, mixed.load_ma * np.exp(np.linspace(0, 0.5, 3000)), mixed.direction)
    assert yardstick(ramp).variance(0.03, 200) < 1.15 * yardstick(mixed).variance(0.03, 200)


def test_rows_of_the_book_become_cuts_and_the_running_one_is_left_out():
    rows = np.array([[0, 5_000_000, 6100, 3200, 0], [9_000_000, OPEN, 6000, 3200, 1]], np.int64)
    cuts = Cuts.of(rows)
    assert (len(cuts), cuts.seconds[0], cuts.load_ma[0]) == (1, 5.0, 2900.0)
