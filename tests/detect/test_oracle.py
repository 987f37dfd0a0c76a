"""The bound that the benchmark grants where readings cannot tell is granted there only."""

import pytest

from collector.facts import SECOND, Run
from tests.bench.detect_cases import Case
from tests.bench.detect_oracle import SURE, doors_hidden, looks_like_a_brake, nats_of_a_brake, runs_hidden
from tests.detect.build import at, spin_up, story

LEVELS = [(20, 0.0), *spin_up(), (20, 3.0), (2.5, 4.0), (40, 0.0)]  # a cut from 44.5 to 47.0, when the motor goes off


def told(noise: float, sensor: float = 0.03, levels=LEVELS, visits=(), door=None) -> Case:
    trace = story(levels, noise=noise, door=door)
    runs, cuts = [(at(20), at(47))], [(at(44.5), at(47))]
    return Case("story", "", 0, "heron", trace, runs, cuts, lambda _: None, list(visits), sensor, 0.001)


def braked(end: float) -> list[Run]:
    return [Run("heron", at(20), at(end), None, round((47 - end) * SECOND), 0)]


def test_a_cut_that_lasts_to_the_stop_is_a_brakes_curve_if_it_is_as_even_as_the_sensor_and_not_if_wood_is_in_it():
    assert looks_like_a_brake(told(0.03), at(44.5), at(47))
    assert not looks_like_a_brake(told(0.09), at(44.5), at(47))


def test_a_run_ended_too_early_is_excused_for_such_a_cut_and_for_idle_or_a_lost_run_is_not():
    assert runs_hidden(told(0.03), braked(44.5))
    assert not runs_hidden(told(0.09), braked(44.5))
    assert not runs_hidden(told(0.03), braked(40.0))
    assert not runs_hidden(told(0.03), [])


@pytest.mark.parametrize(("reported", "excused"), [(False, True), (True, False)])
def test_a_visit_is_excused_if_no_report_told_of_it(reported, excused):
    door = [(0, 1), (60, 0), (70, 1)] if reported else [(0, 1)]
    case = told(0.03, visits=[(at(60), at(70), False, False)], door=door)
    assert doors_hidden(case, []) is excused


@pytest.mark.parametrize(("brake", "told_apart"), [(2.4, True), (2.85, True), (2.99, False)])
def test_a_brake_below_idle_is_excused_only_if_it_differs_from_idle_by_less_than_noise_can_make(brake, told_apart):
    case = told(0.15, 0.15, [(20, 0.0), *spin_up(), (23.5, 3.0), (2.5, brake), (40, 0.0)])
    assert (nats_of_a_brake(case, at(48), at(50.5)) > SURE) is told_apart


def test_a_missed_brake_is_excused_only_with_idle_seen_before_it():
    faint = [(20, 0.0), *spin_up(), (22.5, 3.0), (2.5, 2.99), (40, 0.0)]
    late = [Run("heron", at(20), at(49.5), None, None, 0)]
    assert not runs_hidden(told(0.15, 0.15, faint), late)  # a cut was there until the motor was switched off
