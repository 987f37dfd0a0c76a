"""Forecasts: days left, the lives of blades against a handbook and an independent package, spare blades."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from api.answers.forecast import Weibull, days_left, fit_weibull, spares

# NIST/SEMATECH e-Handbook §8.4.1.3 (apr413.htm), Weibull analysis of the example of §8.2.2.1: ten failures [h], ten
# units still running at 500 h. Printed: η = 606.5280, β = 1.7208, loglikelihood -75.135, mean life 540.737 h.
NIST_LIVES = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386, *[500] * 10]
NIST_ENDED = [True] * 10 + [False] * 10


def test_the_handbooks_censored_example_comes_out():
    fit = fit_weibull(NIST_LIVES, NIST_ENDED)
    assert fit.scale == pytest.approx(606.5280, abs=5e-4)
    assert fit.shape == pytest.approx(1.7208, abs=5e-5)
    assert fit.loglik == pytest.approx(-75.135, abs=5e-4)
    assert fit.mean == pytest.approx(540.737, abs=0.05)
    assert (fit.removals, fit.censored) == (10, 10)


@settings(deadline=None, max_examples=40)
@given(st.floats(0.6, 6), st.floats(50, 5000), st.floats(0.3, 3), st.integers(8, 60), st.integers(0, 10_000))
def test_scipy_finds_the_same_distribution(shape, scale, horizon, number, seed):
    rng = np.random.default_rng(seed)
    lives = scale * rng.weibull(shape, number) + 1e-6
    until = horizon * scale
    ended = lives < until
    lives = np.minimum(lives, until)
    fit = fit_weibull(lives.tolist(), ended.tolist())
    if fit is None:
        assert ended.sum() < 5
        return
    data = scipy.stats.CensoredData(uncensored=lives[ended], right=lives[~ended])
    dist = scipy.stats.weibull_min
    ours = -dist.nnlf((fit.shape, 0, fit.scale), lives[ended])
    ours += dist.logsf(lives[~ended], fit.shape, 0, fit.scale).sum()
    assert fit.loglik == pytest.approx(ours, rel=1e-9)
    theirs_shape, _, theirs_scale = dist.fit(data, fit.shape, scale=fit.scale, floc=0)
    theirs = -dist.nnlf((theirs_shape, 0, theirs_scale), lives[ended])
    theirs += dist.logsf(lives[~ended], theirs_shape, 0, theirs_scale).sum()
    assert ours >= theirs - 1e-6  # no other parameters are likelier
    assert fit.shape == pytest.approx(theirs_shape, rel=2e-2)


def test_fewer_than_five_removals_are_no_distribution():
    assert fit_weibull([100, 200, 300, 400, 500], [True] * 4 + [False]) is None
    assert fit_weibull([], []) is None


def test_lives_all_alike_have_no_finite_shape():
    assert fit_weibull([100.0] * 6, [True] * 6) is None


def test_five_days_a_week_are_remembered_in_the_forecast():
    week = [100.0] * 5 + [0.0] * 2
    left = days_left(500, week * 8)
    assert left.low <= left.median <= left.high
    assert left.median == pytest.approx(7.0, abs=1.0)  # 5 days' work always spans a weekend, unless begun on Monday
    assert left.low == pytest.approx(5.0, abs=0.1)


def test_an_even_pace_gives_an_exact_forecast():
    left = days_left(250, [100.0] * 14)
    assert (left.low, left.median, left.high) == (2.5, 2.5, 2.5)


def test_nothing_left_is_today_and_a_shop_at_rest_gets_no_forecast():
    assert days_left(0, [10.0] * 7).median == 0
    assert days_left(-5, [10.0] * 7).median == 0
    assert days_left(10, [0.0] * 7) is None
    assert days_left(10, []) is None
    assert days_left(1e9, [1.0] * 7) is None


@given(st.lists(st.integers(0, 300), min_size=1, max_size=60), st.integers(1, 5000))
def test_the_forecast_is_what_walking_through_the_past_gives(past, remaining):
    left = days_left(remaining, past)
    if left is None:
        return
    days = []
    for begin in range(len(past)):
        used, day = 0.0, begin
        while used + past[day % len(past)] < remaining:
            used += past[day % len(past)]
            day += 1
        days.append(day - begin + (remaining - used) / past[day % len(past)])
    assert left.median == pytest.approx(float(np.quantile(days, 0.5)), abs=1e-6)
    assert left.high == pytest.approx(float(np.quantile(days, 0.9)), abs=1e-6)


def test_spares_for_lives_that_end_by_chance_are_those_of_the_poisson_formula():
    # With β = 1 removals are a Poisson process: the rack of n is empty at a removal when n others fell into the
    # turnaround before it (Erlang's loss argument, any textbook of inventory).
    for saws, mean, turnaround in ((2, 8.0, 7.0), (6, 10.0, 14.0), (1, 30.0, 3.0)):
        rate = saws / mean
        n = 1
        while rate * 365.25 * scipy.stats.poisson.sf(n - 1, rate * turnaround) >= 1:
            n += 1
        assert abs(spares(Weibull(1.0, mean, 0.0, 9, 0), saws, turnaround) - n) <= 0
    assert spares(Weibull(6.0, 10.0, 0.0, 9, 0), 2, 7.0) < spares(Weibull(1.0, 10.0, 0.0, 9, 0), 2, 7.0)


def test_a_weibull_knows_its_quantiles():
    fit = Weibull(2.0, 100.0, 0.0, 9, 0)
    assert fit.quantile(1 - math.exp(-1)) == pytest.approx(100.0)
    assert fit.quantile(0.5) == pytest.approx(scipy.stats.weibull_min(2.0, scale=100.0).median())
