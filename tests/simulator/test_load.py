"""What a cut asks of the motor."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.dice import Dice, generator
from simulator.load import Manner, cutting_watts, entry_seconds, passage, touch


def test_cutting_power_by_hand() -> None:
    # 30 N/mm² · 3.2 mm · 19 mm = 1824 N; at 0.25 m/s that is 456 W.
    assert cutting_watts(30, 3.2, 19, 0.25) == pytest.approx(456)


def test_feed_thickness_and_a_dull_blade_ask_for_more_in_proportion() -> None:
    assert cutting_watts(30, 3.2, 19, 0.5) == 2 * cutting_watts(30, 3.2, 19, 0.25)
    assert cutting_watts(30, 3.2, 38, 0.25) == 2 * cutting_watts(30, 3.2, 19, 0.25)
    assert cutting_watts(30, 3.2, 19, 0.25, dull=1.5) == 1.5 * cutting_watts(30, 3.2, 19, 0.25)


@settings(deadline=None)
@given(thickness=st.floats(3, 80), feed=st.floats(0.05, 1.0))
def test_a_blade_enters_in_a_twentieth_to_two_fifths_of_a_second(thickness: float, feed: float) -> None:
    assert 0.05 <= entry_seconds(280, thickness, feed) <= 0.4
    assert entry_seconds(280, thickness, feed) >= entry_seconds(280, thickness, feed * 1.5)


def any_passage(seed: int, seconds: float, manner: Manner) -> tuple[np.ndarray, np.ndarray]:
    made = passage(Dice(generator(seed)), 100.0, seconds, 2.0, entry_s=0.2, ripple=0.1, manner=manner, vertical=True)
    assert (made.start, made.end) == (100.0, 100.0 + seconds)
    return np.array(sorted(made.points)).T


@settings(deadline=None)
@given(seed=st.integers(0, 2**31), seconds=st.floats(1.0, 30.0))
def test_a_passage_loads_from_first_to_last_contact_and_nowhere_else(seed: int, seconds: float) -> None:
    t, amps = any_passage(seed, seconds, Manner(pause=0.5, levels=0.3, knots=0.3))
    assert t[0] == 100.0
    assert t[-1] == 100.0 + seconds
    assert amps[0] == amps[-1] == 0
    assert np.all(amps >= 0)
    assert np.all((t >= 100.0) & (t <= 100.0 + seconds))


@settings(deadline=None)
@given(seed=st.integers(0, 2**31), seconds=st.floats(4.0, 30.0))
def test_a_feed_pause_is_at_idle_for_less_than_a_second(seed: int, seconds: float) -> None:
    t, amps = any_passage(seed, seconds, Manner(pause=1.0, levels=0.0, pause_s=(0.3, 0.95)))
    grid = np.linspace(t[0] + 0.5, t[-1] - 0.5, 4000)
    low = np.interp(grid, t, amps) < 0.1
    assert low.any()
    assert low.sum() * (grid[1] - grid[0]) < 1.0


@settings(deadline=None)
@given(seed=st.integers(0, 2**31))
def test_a_touch_is_shorter_than_any_cut(seed: int) -> None:
    made = touch(Dice(generator(seed)), 5.0, 1.0, vertical=False)
    assert made.bump
    assert made.end - made.start < 0.8
