"""A trial is judged as an electrician would judge it; faults of the clamp are played by the simulator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from collector.calibrate import Level, Steps, calibrate
from simulator.motor import Brake, Motor, Nameplate, Start, Starting
from tests.calibrate.trial import BOX, MOTOR, trial


def look(played, steps: Steps | None = None):
    return calibrate("heron", played.trace, steps or played.steps)


def codes(found) -> set[str]:
    return {f.code for f in found.findings}


def faults(found) -> set[str]:
    return {f.code for f in found.findings if f.level is Level.FAULT}


@pytest.mark.parametrize("amps", [3.5, 8.0, 20.0])
@pytest.mark.parametrize("way", list(Starting))
def test_a_sound_saw_of_any_size_and_start_is_sound(amps, way):
    motor = Motor(Nameplate.of_current(amps), start=Start(way), cold=0.1, wander=0.02)
    found = look(trial(motor, seed=7, rises=(0.15 * amps, 0.3 * amps, 0.2 * amps)))
    assert faults(found) == set()
    assert found.sound
    m = found.measured
    assert m.idle_ma == pytest.approx(1000 * motor.idle_amps, rel=0.12)
    assert m.rate_hz == pytest.approx(10, abs=0.2)
    assert m.resolution_ma == 10
    assert m.noise_ma == pytest.approx(30, rel=0.35)
    assert m.offset_ma == pytest.approx(40, abs=20)
    assert len(m.rises_ma) == 3
    for seen, true in zip(m.rises_ma, (0.15, 0.3, 0.2), strict=True):
        assert seen == pytest.approx(1000 * true * amps, rel=0.35)


def test_what_was_done_at_lock_and_door_is_seen():
    found = look(trial())
    assert {"lock", "door"} <= codes(found)
    still = look(trial(switches=False))
    assert {"lock-still", "door-still"} <= codes(still)


def test_a_switch_that_never_reports_is_named():
    played = trial()
    lockless = replace(played, trace=replace(played.trace, lock=played.trace.lock.between(0, 0)))
    assert "lock-silent" in codes(look(lockless))


def test_the_brake_is_timed_where_it_is_seen_and_not_where_it_is_not():
    seen = look(trial(replace(MOTOR, brake=Brake(visible=True, stop_s=2.9))))
    assert seen.measured.brake_us == pytest.approx(2_900_000, abs=250_000)
    hidden = look(trial(replace(MOTOR, brake=Brake(visible=False, stop_s=3.0))))
    assert hidden.measured.brake_us is None
    assert "brake-unseen" in codes(hidden)


def test_a_brake_slower_than_four_seconds_is_pointed_at():
    """4 s: common practice, no source."""
    slow = look(trial(replace(MOTOR, brake=Brake(visible=True, stop_s=5.6))))
    assert "brake-slow" in codes(slow)


@pytest.mark.parametrize(("noise", "resolution"), [(0.4, 0.01), (0.02, 0.5), (0.3, 0.25)])
def test_a_clamp_too_big_is_found_by_noise_or_by_steps(noise, resolution):
    found = look(trial(box=replace(BOX, noise=noise, resolution=resolution), rises=(1.0, 1.2, 0.9)))
    assert "too-big" in faults(found)
    assert found.settings is None
    assert not found.sound


def test_a_clamp_too_small_for_the_cuts_is_saturated():
    found = look(trial(rises=(2.5, 3.0, 2.0)).clipped(4800))
    assert "saturated" in faults(found)


def test_a_clamp_too_small_for_the_start_alone_is_no_fault():
    found = look(trial().clipped(20_000))
    assert "start-flat" in codes(found)
    assert faults(found) == set()
    assert found.sound


def test_a_soft_starters_limit_is_not_taken_for_a_small_clamp():
    motor = replace(MOTOR, start=Start(Starting.SOFT, timer_s=6.0))
    assert "saturated" not in codes(look(trial(motor)))


@pytest.mark.parametrize("reads", [0, 40])
def test_a_clamp_that_does_not_see_the_motor(reads):
    """Open, unplugged, or round the whole cable."""
    found = look(trial().with_motor(lambda v: np.full_like(v, reads)))
    assert faults(found) == {"no-current"}


def test_a_clamp_on_a_conductor_that_carries_something_else():
    found = look(trial().with_motor(lambda v: np.full_like(v, 3500) + np.arange(len(v)) % 3 * 10))
    assert {"current-when-off", "no-current"} <= faults(found)


def test_a_clamp_on_a_conductor_that_feeds_something_else_too():
    found = look(trial().with_motor(lambda v: np.sqrt(v.astype(float) ** 2 + 3300.0**2)))
    assert "current-when-off" in faults(found)


def test_a_current_that_does_not_follow_the_load():
    found = look(trial(rises=()))
    assert faults(found) == {"no-rise"}


def test_what_an_rms_reading_cannot_tell_is_said():
    (note,) = [f for f in look(trial()).findings if f.code == "rms"]
    assert "no sign and no phase" in note.text


def test_a_slow_box_must_be_mended_and_a_coarse_one_looked_at():
    assert "rate" in faults(look(trial(box=replace(BOX, rate=3.0))))
    six = look(trial(box=replace(BOX, rate=6.0)))
    assert [f.level for f in six.findings if f.code == "rate"] == [Level.ATTENTION]


def test_lost_packs_are_counted():
    found = look(trial(box=replace(BOX, lost_packs=0.08), seed=3))
    assert found.measured.lost == pytest.approx(0.08, abs=0.06)
    assert "lost" in codes(found)


def test_the_usual_threshold_stays_where_it_parts_standstill_from_idle():
    assert look(trial()).settings == {}


def test_a_high_offset_moves_the_threshold_between_standstill_and_idle():
    found = look(trial(box=replace(BOX, offset=0.6)))
    assert found.sound
    assert found.settings["on_ma"] - found.settings["on_band_ma"] > 600
    assert found.settings["on_ma"] + found.settings["on_band_ma"] < 0.75 * found.measured.idle_ma


def test_each_step_says_only_what_it_can():
    played = trial()
    s = played.steps
    first = calibrate("heron", played.trace.between(0, s.idle), Steps(s.off))
    assert codes(first) == {"off", "lock", "door"}
    second = calibrate("heron", played.trace.between(0, s.cuts), Steps(s.off, s.idle))
    assert {"idle", "inrush", "rate"} <= codes(second)
    assert "cuts" not in codes(second)
    third = calibrate("heron", played.trace.between(0, s.cuts + 2_000_000), Steps(s.off, s.idle, s.cuts))
    assert "cuts-few" in codes(third)
    assert third.settings is None


def test_an_empty_trial_is_no_error():
    played = trial()
    found = calibrate("heron", played.trace.between(0, 0), Steps(played.steps.off))
    assert "off-few" in codes(found)


@pytest.mark.parametrize(("steps", "told"), [((5, 4), "follow one another"), ((5, None, 8), "missing")])
def test_steps_out_of_order_are_refused(steps, told):
    with pytest.raises(ValueError, match=told):
        Steps(*steps)
