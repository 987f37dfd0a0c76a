"""The analytic current gives the RMS over any interval."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.current import Current, ragged, supply
from simulator.dice import generator
from simulator.difficulties import SCENARIOS


def test_a_constant_current_reads_as_itself() -> None:
    current = Current.of(np.array([0.0, 10.0]), np.array([9.0, 9.0]))
    assert current.rms(np.array([1.0, 2.5]), np.array([1.1, 7.0])) == pytest.approx([3.0, 3.0])


def test_an_edge_inside_an_interval_comes_out_as_a_partial_sample() -> None:
    # 4 A flow for a quarter of the interval: the root of a quarter of 16 A².
    current = Current.of(np.array([0.0, 1.0, 1.0 + 1e-9, 2.0]), np.array([0.0, 0.0, 16.0, 16.0]))
    assert current.rms(np.array([0.925]), np.array([1.025])) == pytest.approx([2.0])


@settings(deadline=None)
@given(seed=st.integers(0, 2**31), start=st.floats(0.0, 8.0), length=st.floats(0.02, 2.0))
def test_the_integral_agrees_with_summing_finely(seed: int, start: float, length: float) -> None:
    rng = generator(seed)
    t = np.sort(rng.uniform(0, 10, 12))
    t[0], t[-1] = 0.0, 10.0
    square = rng.uniform(0, 400, 12)
    fine = np.linspace(start, start + length, 20_001)
    middle = 0.5 * (fine[1:] + fine[:-1])
    expected = np.sqrt(np.interp(middle, t, square).mean())
    assert Current.of(t, square).rms(np.array([start]), np.array([start + length]))[0] == pytest.approx(
        expected, rel=1e-4
    )


@settings(deadline=None)
@given(counts=st.lists(st.integers(0, 5), min_size=1, max_size=8))
def test_ragged_counts_within_each_group(counts: list[int]) -> None:
    group, index = ragged(np.array(counts))
    assert list(zip(group.tolist(), index.tolist(), strict=True)) == [
        (g, i) for g, n in enumerate(counts) for i in range(n)
    ]


@settings(deadline=None)
@given(seed=st.integers(0, 2**31), wander=st.floats(0.0, 0.08))
def test_the_supply_stays_within_its_range(seed: int, wander: float) -> None:
    _, factor = supply(generator(seed), 1200, wander)
    assert np.all(np.abs(factor - 1) <= wander + 1e-12)


def test_current_flows_only_in_a_run_or_its_brake() -> None:
    played = SCENARIOS["brake_seen"](5)
    t = np.arange(0, played.script.seconds, 0.01)
    flowing = played.current.at(t) > 0.01
    inside = np.zeros(len(t), bool)
    for run in played.script.runs:
        inside |= (t >= run.on) & (t <= run.quiet + 0.01)
    assert not np.any(flowing & ~inside)


def test_a_cut_raises_the_current_above_idle_and_idle_comes_back() -> None:
    played = SCENARIOS["ordinary"](5)
    for true in played.facts.cuts:
        assert true.rise_ma > 0
        assert true.cut.peak_ma >= true.cut.mean_ma > true.cut.idle_ma
