"""The box samples as the wire format promises, and is as imperfect as it was made."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator.box import Box
from simulator.dice import Dice, generator
from simulator.difficulties import SCENARIOS, _work_stretch, ordinary_setting
from simulator.shop import Played, Saw, play

PERFECT = Box(jitter=0.0, noise=0.0, resolution=0.0, offset=0.0, bounce=0.0)


def played_with(box: Box, seed: int = 1) -> Played:
    dice = Dice(generator(seed, "box test"))
    setting = ordinary_setting(dice)
    return play(Saw("heron", setting.motor, box), _work_stretch(setting, dice), generator(seed, "noise"))


def test_a_perfect_box_reports_the_rms_since_the_sample_before() -> None:
    played = played_with(PERFECT)
    motor = played.trace.motor
    t = (motor.t - played.start_us) / 1e6
    expected = np.rint(played.current.rms(t[:-1], t[1:]) * 1000)
    assert np.abs(motor.v[1:] - expected).max() <= 1


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**31), rate=st.floats(5, 50), jitter=st.floats(0, 0.4))
def test_while_current_flows_it_samples_at_its_rate(seed: int, rate: float, jitter: float) -> None:
    played = played_with(Box(rate=rate, jitter=jitter), seed)
    t = (played.trace.motor.t - played.start_us) / 1e6
    assert np.all(np.diff(t) > 0)
    for run in played.script.runs:
        inside = t[(t > run.on) & (t < run.quiet)]
        steps = np.diff(inside) * rate
        assert abs(len(inside) - (run.quiet - run.on) * rate) <= 2
        assert steps.min() > 1 - 2 * jitter - 0.01
        assert steps.max() < 1 + 2 * jitter + 0.01


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**31))
def test_with_the_motor_off_no_signal_is_silent_for_longer_than_ten_seconds_or_so(seed: int) -> None:
    played = played_with(Box(), seed)
    for series in (played.trace.motor, played.trace.lock, played.trace.door):
        assert np.diff(series.t).max() <= 10.2e6


def test_the_first_fast_sample_covers_one_short_interval_not_the_quiet_before() -> None:
    played = played_with(Box(rate=10, jitter=0.05))
    t = (played.trace.motor.t - played.start_us) / 1e6
    for run in played.script.runs:
        k = int(np.searchsorted(t, run.on))
        assert t[k] - t[k - 1] < 0.13


def test_noise_and_resolution_are_what_they_are_said_to_be() -> None:
    quiet, noisy = played_with(PERFECT), played_with(Box(jitter=0.0, noise=0.15, resolution=0.1, offset=0.0))
    assert np.all(noisy.trace.motor.v % 100 == 0)
    high = quiet.trace.motor.v > 1500
    deviation = (noisy.trace.motor.v - quiet.trace.motor.v)[high]
    assert deviation.std() == pytest.approx(np.hypot(150, 100 / 12**0.5), rel=0.05)


def test_an_offset_shows_at_standstill_and_hardly_under_current() -> None:
    plain, shifted = played_with(PERFECT), played_with(Box(jitter=0.0, noise=0.0, resolution=0.0, offset=0.3))
    difference = shifted.trace.motor.v - plain.trace.motor.v
    assert np.all(difference[plain.trace.motor.v == 0] == 300)
    assert difference[plain.trace.motor.v > 2000].max() < 30


def test_wild_samples_are_as_many_as_asked_for() -> None:
    plain, wild = played_with(PERFECT), played_with(Box(jitter=0.0, noise=0.0, resolution=0.0, offset=0.0, wild=0.02))
    share = np.mean(plain.trace.motor.v != wild.trace.motor.v)
    assert 0.005 < share < 0.03


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**31))
def test_a_bouncing_lock_settles_at_its_new_state_within_half_a_second(seed: int) -> None:
    played = played_with(Box(bounce=1.0), seed)
    lock = played.trace.lock
    moves = played.script.locks[1:]
    assert len(lock) > len(played.script.locks)
    for (when, state, _), after in zip(moves, [*(m[0] for m in moves[1:]), np.inf], strict=True):
        at = min(played.start_us + (when + 0.5) * 1e6, played.start_us + after * 1e6 - 1)
        assert lock.v[np.searchsorted(lock.t, at, side="right") - 1] == state


def test_nothing_arrives_from_a_hole() -> None:
    played = played_with(Box(holes=((100.0, 160.0), (300.0, 303.0))))
    for series in played.trace.series():
        t = (series.t - played.start_us) / 1e6
        assert not np.any((t >= 100) & (t < 160))
        assert not np.any((t >= 300) & (t < 303))


def test_lost_packs_are_whole_seconds_as_many_as_asked_for() -> None:
    played = played_with(Box(lost_packs=0.05))
    seconds = sum(b - a for a, b in played.holes)
    assert seconds / played.script.seconds == pytest.approx(0.05, abs=0.02)


def test_readings_and_truth_are_both_told_by_the_boxs_clock() -> None:
    right = played_with(PERFECT)
    wrong = played_with(Box(jitter=0, noise=0, resolution=0, offset=0, bounce=0, clock_offset_s=7.0, clock_ppm=100.0))
    assert wrong.trace.motor.t[0] - right.trace.motor.t[0] == pytest.approx(7.0e6, abs=2000)
    drift = (wrong.trace.motor.t[-1] - right.trace.motor.t[-1]) - 7.0e6
    assert drift == pytest.approx(100e-6 * (right.trace.motor.t[-1] - right.start_us), abs=2)
    assert wrong.facts.cuts[0].cut.start - right.facts.cuts[0].cut.start == pytest.approx(7.0e6, abs=2e5)


def test_values_fit_the_wire() -> None:
    for name in ("everything", "wild_samples"):
        motor = SCENARIOS[name](3).trace.motor
        assert motor.v.min() >= 0
        assert motor.v.max() < 1_000_000
