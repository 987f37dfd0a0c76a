"""What a saw takes at idle is known after some runs: it settles what a run that hardly shows its idle leaves open."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.detect.detector import derive
from collector.detect.habits import NEW, Habits, learn
from collector.detect.known_idle import WRONG, KnownIdle
from collector.detect.settings import DetectSettings
from collector.facts import SECOND, Cut, Direction, Run
from tests.detect.build import seconds, spin_up, story

KNOWN = Habits(idle_ma=(2900, 3100), start_ma=(35_000, 37_000))
START = spin_up()[:-1]  # the starting current alone


def cuts(levels, known=KNOWN, **how):
    return [f for f in derive("heron", story(levels, **how), DetectSettings(habits=known)) if isinstance(f, Cut)]


def lengths(levels, known=KNOWN, **how):
    return [pytest.approx(seconds(c), abs=0.25) for c in cuts(levels, known, **how)]


# A motor that starts in star takes more in delta: without knowing its idle, what lasts to the stop could be that.
AT_ONCE = [(20, 0.0), *START, (0.5, 3.0), (6.0, 6.0), (40, 0.0)]


def test_a_first_cut_half_a_second_after_spin_up_that_lasts_to_the_stop_is_one_where_idle_is_known():
    assert cuts(AT_ONCE, NEW) == []
    assert lengths(AT_ONCE) == [(22.0, 28.0)]


def test_a_cut_that_began_before_spin_up_was_seen_to_be_over_is_one_where_idle_is_known():
    levels = [(20, 0.0), *START, (0.1, 3.0), (6.0, 6.5), (40, 0.0)]
    assert cuts(levels, NEW) == []
    (cut,) = cuts(levels)
    assert seconds(cut) == pytest.approx((21.6, 27.6), abs=0.5)
    assert cut.idle_ma == 3000


def test_data_that_begins_in_a_cut_shows_it_where_idle_is_known():
    levels = [(6.0, 4.6), (5, 3.0), (5, 5.0), (5, 3.0), (40, 0.0)]
    assert len(cuts(levels, NEW)) == 1
    assert len(cuts(levels)) == 2


@pytest.mark.parametrize("cold", [1.2, 1.35, 1.5])
def test_a_cold_saws_idle_is_no_cut(cold):
    falling = [(2.0, 3.0 + 3.0 * (cold - 1) * 0.97**k) for k in range(40)]
    assert cuts([(20, 0.0), *START, *falling, (40, 0.0)]) == []
    assert lengths([(20, 0.0), *START, *falling, (5.0, 6.0), (10, 3.2), (40, 0.0)]) == [(101.5, 106.5)]


@pytest.mark.parametrize("seed", range(5, 8))
def test_idle_after_spin_up_is_no_cut_though_its_last_samples_are_a_little_less(seed):
    levels = [(20, 0.0), *spin_up(1.78), (15.0, 1.78), (0.5, 1.68), (6.0, 4.2), (5.0, 1.78), (5.0, 3.5), (40, 0.0)]
    known = Habits(idle_ma=(1740, 1795), start_ma=(19_000, 23_000))
    assert lengths(levels, known, seed=seed) == [(40.0, 46.0), (51.0, 56.0)]


def test_the_end_of_spin_up_that_comes_down_by_degrees_is_no_cut():
    for degrees in ([(0.4, 5.2), (0.6, 3.6)], [(1.1, 3.5)], [(0.3, 4.8), (0.3, 4.1), (0.4, 3.5)]):
        assert cuts([(20, 0.0), *START, *degrees, (20, 3.0), (40, 0.0)]) == []


def test_idle_in_star_is_less_than_what_is_known_and_delta_is_no_cut():
    levels = [(20, 0.0), (0.8, 18.0), (3.0, 1.7), (20, 3.0), (6.0, 5.0), (10, 3.0), (40, 0.0)]
    assert lengths(levels) == [(43.8, 49.8)]


def moved(share: float) -> Habits:
    """What was learned before the clamp was moved, after which it shows all in that share."""
    return Habits(*(None if r is None else tuple(round(x / share) for x in r) for r in (None, None, *habits_known())))


def habits_known() -> tuple[tuple[int, int] | None, tuple[int, int] | None]:
    return KNOWN.idle_ma, KNOWN.start_ma


WORK = [(20, 0.0), *START, (4, 3.0), (6, 4.0), (5, 3.0), (8, 7.0), (4, 3.0), (3, 3.4), (6, 3.0), (40, 0.0)]


@pytest.mark.parametrize("share", [0.5, 2.0])
def test_where_a_clamp_was_moved_nothing_that_was_learned_before_counts(share):
    for levels in (WORK, AT_ONCE):
        assert cuts(levels, moved(share)) == cuts(levels, NEW)


@pytest.mark.parametrize("wrong", [0.5, 0.7, 1.4, 2.0])
def test_where_what_is_known_of_idle_is_wrong_and_nothing_tells_it_a_run_with_some_work_is_read_as_ever(wrong):
    known = Habits(idle_ma=(round(2900 * wrong), round(3100 * wrong)))
    assert lengths(WORK, known) == [(25.5, 31.5), (36.5, 44.5), (48.5, 51.5)]


ranges = st.tuples(st.integers(1, 40_000), st.integers(1, 40_000)).map(lambda r: (min(r), max(r)))


@given(ranges, st.floats(0, 80_000), st.floats(0, 80_000), st.floats(0, 1e6), st.booleans())
def test_a_level_costs_nothing_within_what_is_known_more_the_farther_off_and_never_more_than_to_be_wrong(
    known, a, b, noise, warm
):
    idle = KnownIdle(*known)
    for ma in (a, b):
        assert 0 <= idle.price(ma, noise, warm=warm) <= WRONG
        if known[0] <= ma <= known[1]:
            assert idle.price(ma, noise, warm=warm) == 0
    near, far = sorted((a, b), key=lambda ma: abs(ma - idle.level))
    if (a < idle.level) == (b < idle.level):
        assert idle.price(near, noise, warm=warm) <= idle.price(far, noise, warm=warm)


@pytest.mark.parametrize("nonsense", [(0, 0), (-5, 3000), (3100, 2900), (0, 9000)])
def test_a_range_that_is_none_says_nothing(nonsense):
    assert Habits(idle_ma=nonsense).idle_of(36_000) == (0, 0)


def _facts(n: int, idle: int, inrush: int, first: int = 0):
    for k in range(first, first + n):
        at = k * 100 * SECOND
        yield Run("heron", at, at + 50 * SECOND, inrush + 10 * k, None, 2)
        for i in (0, 1):
            start = at + (10 + 20 * i) * SECOND
            yield Cut("heron", start, start + 8 * SECOND, Direction.UNKNOWN, 6000, 6500, idle + 10 * i, False, None)


def test_idle_and_the_starting_current_are_learned_from_some_runs_and_from_fewer_they_are_not():
    few = learn(_facts(2, 3000, 36_000))
    assert (few.idle_ma, few.start_ma) == (None, None)
    known = learn(_facts(10, 3000, 36_000))
    assert known.idle_ma == (3000, 3010)
    assert known.start_ma == (36_000, 36_090)


def test_only_the_newest_runs_tell_what_idle_is():
    facts = [*_facts(60, 3000, 36_000), *_facts(40, 1500, 18_000, first=60)]
    assert learn(facts).idle_ma == (1500, 1510)


def test_a_run_that_starts_on_another_current_says_that_nothing_is_known():
    assert KNOWN.idle_of(36_000) == KNOWN.idle_of(None) == (2900, 3100)
    assert KNOWN.idle_of(18_000) == KNOWN.idle_of(72_000) == (0, 0)
    assert replace(KNOWN, start_ma=None).idle_of(72_000) == (2900, 3100)
