"""Utilisation after ISO 22400-2, on shifts worked out by hand; the arithmetic stands beside each.

ISO 22400-2 defines, for a work unit: availability = APT / PBT, allocation efficiency = AUBT / PBT,
utilization efficiency = APT / AUBT, with APT the actual production time, AUBT the actual unit busy time and PBT
the planned busy time. What counts as each on a saw is written in `api.answers.utilisation`.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.answers.calendar import planned
from api.answers.intervals import spans
from api.answers.states import Extent, activity
from api.answers.utilisation import utilisation
from collector.facts import SECOND, Conflict, Gap
from collector.outline import outline_of
from tests.api.conftest import LISBON, MINUTE, MORNING, SHOP_PLAN, at, cut, run

GAP = 180 * SECOND


def reckon(facts, extent, start, end, plan=None, now=None, busy_gap=GAP):
    now = end if now is None else now
    plan = planned(SHOP_PLAN, LISBON, start, end) if plan is None else plan
    (use,) = utilisation(
        activity(outline_of(facts), extent, extent.last),
        plan,
        np.array([start, end]),
        busy_gap,
        extent.counted_until(now),
    )
    return use


def seconds(use):
    return tuple(t / SECOND for t in (use.planned, use.pbt, use.apt, use.aubt, use.extra))


ALL_DAY = Extent(at("00:00:00"), at("23:59:59"))


def test_a_shift_with_one_long_run():
    # Planned 07:00-15:30 less 10:00-10:15 and 12:30-13:00: 8 h 30 min - 45 min = 7 h 45 min = 27 900 s.
    # The motor runs 08:00-09:33 = 93 min = 5 580 s and cuts 08:10-08:41 = 31 min = 1 860 s.
    facts = [run(at("08:00:00"), at("09:33:00")), cut(at("08:10:00"), at("08:41:00"))]
    use = reckon(facts, ALL_DAY, at("00:00:00"), at("23:00:00"))
    assert seconds(use) == (27_900, 27_900, 1_860, 5_580, 0)
    assert use.availability == 1_860 / 27_900  # 0.0667
    assert use.allocation_efficiency == 0.2  # 5 580 / 27 900
    assert use.utilization_efficiency == pytest.approx(1 / 3)  # 1 860 / 5 580
    assert use.coverage == 1


def test_a_pause_below_the_busy_gap_is_in_use_with_the_motor_off_and_one_of_exactly_the_gap_is_not():
    facts = [
        run(at("08:00:00"), at("08:01:00")),
        cut(at("08:00:20"), at("08:00:50")),
        run(at("08:03:40"), at("08:05:00")),
        cut(at("08:03:49"), at("08:04:00")),  # 179 s after the cut before: in use
        run(at("08:06:50"), at("08:08:00")),
        cut(at("08:07:00"), at("08:07:30")),  # 180 s after: not in use
    ]
    # Runs 60 + 80 + 70 = 210 s; the pause 08:00:50-08:03:49 adds its part with the motor off,
    # 08:01:00-08:03:40 = 160 s. Cuts 30 + 11 + 30 = 71 s.
    use = reckon(facts, ALL_DAY, at("07:00:00"), at("09:00:00"))
    assert seconds(use) == (7_200, 7_200, 71, 370, 0)


def test_cuts_through_a_break_are_outside_the_plan():
    facts = [run(at("09:50:00"), at("10:20:00")), cut(at("09:55:00"), at("10:16:00"))]
    # Break 10:00-10:15. In plan: run 09:50-10:00 and 10:15-10:20 = 900 s, cut 5 min + 1 min = 360 s; the 15
    # minutes of the break are extra.
    use = reckon(facts, ALL_DAY, at("09:00:00"), at("11:00:00"))
    assert seconds(use) == (6_300, 6_300, 360, 900, 900)


def test_a_break_between_two_cuts_is_no_pause_in_use():
    facts = [
        run(at("09:57:00"), at("09:59:00")), cut(at("09:57:30"), at("09:58:30")),
        run(at("10:15:10"), at("10:17:00")), cut(at("10:15:30"), at("10:16:30")),
    ]  # fmt: skip
    # From 09:58:30 to 10:15:30 are 17 min by the clock. Less the break it would be 2 min, but nobody set the
    # next sheet up for 2 min: the crew was away. Only the runs count: 120 + 110 s.
    use = reckon(facts, ALL_DAY, at("09:00:00"), at("11:00:00"))
    assert seconds(use) == (6_300, 6_300, 120, 230, 0)


def test_of_a_short_pause_across_the_start_of_a_break_only_the_part_before_it_is_planned():
    facts = [
        run(at("09:58:00"), at("09:59:00")), cut(at("09:58:10"), at("09:59:00")),
        run(at("10:01:30"), at("10:02:00")), cut(at("10:01:30"), at("10:02:00")),
    ]  # fmt: skip
    # Pause 09:59:00-10:01:30 = 150 s, in use: 60 s before the break, 90 s in it. In plan 60 (run) + 60
    # (pause) = 120 s; extra 90 s (pause) + 30 s (run). Cut in plan: 50 s.
    use = reckon(facts, ALL_DAY, at("09:00:00"), at("11:00:00"))
    assert seconds(use) == (6_300, 6_300, 50, 120, 120)


def test_time_without_data_counts_neither_as_planned_nor_as_idle():
    facts = [
        run(at("07:30:00"), at("08:00:00")),
        Gap("heron", at("08:00:00"), at("09:00:00")),
        run(at("09:00:00"), at("09:30:00")),
    ]
    # Planned 07:00-10:00 = 3 h, one hour unknown: PBT 2 h, in use 1 h of it, coverage 2/3.
    use = reckon(facts, ALL_DAY, at("07:00:00"), at("10:00:00"))
    assert (use.allocation_efficiency, use.coverage) == (0.5, pytest.approx(2 / 3))


def test_a_short_pause_that_holds_a_gap_in_the_data_is_in_use_where_it_is_known():
    facts = [
        run(at("08:00:00"), at("08:01:00")), cut(at("08:00:00"), at("08:01:00")),
        Gap("heron", at("08:01:20"), at("08:02:20")),
        run(at("08:03:00"), at("08:04:00")), cut(at("08:03:00"), at("08:04:00")),
    ]  # fmt: skip
    # Pause 120 s of which 60 s are unknown: in use 60 + 60 + 60 s of 1 h - 1 min.
    use = reckon(facts, ALL_DAY, at("08:00:00"), at("09:00:00"))
    assert seconds(use) == (3_600, 3_540, 120, 180, 0)


def test_a_conflict_takes_working_away_and_leaves_the_motor_running():
    facts = [
        run(at("08:00:00"), at("08:10:00")),
        cut(at("08:01:00"), at("08:05:00")),
        Conflict("heron", at("08:04:00"), at("08:06:00"), "current_while_door_open"),
    ]
    use = reckon(facts, ALL_DAY, at("08:00:00"), at("09:00:00"))
    assert seconds(use)[2:] == (180, 600, 0)


def test_the_present_morning():
    # Planned so far 07:00:00-09:00:00 (newest reading, 4 s old) = 7 200 s, less the gap of 600 s: PBT 6 600
    # s. Cuts 60 + 30 + 60 s (the open one until the newest reading) = 150 s. In use: runs 07:00-07:20 and
    # 08:50-09:00 = 1 800 s; the pause 07:02:00-07:04:00 lies in a run already.
    use = reckon(MORNING, Extent(at("06:50:00"), at("09:00:00")), at("00:00:00"), at("09:00:04"))
    assert seconds(use) == (7_200, 6_600, 150, 1_800, 0)


def test_a_box_that_fell_silent_lowers_the_coverage_and_not_the_ratio():
    extent = Extent(at("07:00:00"), at("08:00:00"))
    facts = [run(at("07:00:00"), at("07:30:00"))]
    fresh = reckon(facts, extent, at("07:00:00"), at("08:00:15"))
    silent = reckon(facts, extent, at("07:00:00"), at("09:00:00"))
    assert (fresh.allocation_efficiency, fresh.coverage) == (0.5, 1)
    assert (silent.allocation_efficiency, silent.coverage) == (0.5, 0.5)


def test_time_to_come_counts_nowhere():
    use = reckon([], Extent(at("06:00:00"), at("08:00:00")), at("00:00:00"), at("23:00:00"), now=at("08:00:00"))
    assert seconds(use) == (3_600, 3_600, 0, 0, 0)


def test_nothing_planned_gives_no_ratio_at_all():
    use = reckon([run(at("08:00:00"), at("09:00:00"))], ALL_DAY, at("08:00:00"), at("09:00:00"), plan=spans([]))
    assert (use.availability, use.allocation_efficiency, use.coverage) == (None, None, None)
    assert use.extra == 3_600 * SECOND


def test_a_pause_across_midnight_counts_on_both_days():
    plan = spans([(at("00:00:00") - 600 * MINUTE, at("10:00:00"))])
    midnight = at("00:00:00")
    facts = [
        run(midnight - 120 * SECOND, midnight - 60 * SECOND),
        cut(midnight - 120 * SECOND, midnight - 60 * SECOND),
        run(midnight + 60 * SECOND, midnight + 90 * SECOND),
        cut(midnight + 60 * SECOND, midnight + 90 * SECOND),
    ]
    extent = Extent(midnight - 600 * MINUTE, at("09:00:00"))
    before = reckon(facts, extent, midnight - 60 * MINUTE, midnight, plan, at("10:00:00"))
    after = reckon(facts, extent, midnight, midnight + 60 * MINUTE, plan, at("10:00:00"))
    assert (before.aubt, after.aubt) == (120 * SECOND, 90 * SECOND)


second = st.integers(0, 3_000)


@st.composite
def histories(draw):
    """Cuts within runs, gaps anywhere, as a detector finds them: facts of one kind follow one another."""
    t, facts = 0, []
    for _ in range(draw(st.integers(0, 6))):
        t += draw(st.integers(1, 400))
        start, idle = t, draw(st.integers(0, 60))
        t += idle
        for _ in range(draw(st.integers(0, 4))):
            length = draw(st.integers(1, 60))
            facts.append(cut(t * SECOND, (t + length) * SECOND))
            t += length + draw(st.integers(1, 200))
        facts.append(run(start * SECOND, t * SECOND))
    facts += [
        Gap("heron", a * SECOND, (a + n) * SECOND)
        for a, n in draw(st.lists(st.tuples(second, st.integers(16, 300)), max_size=3))
    ]
    facts += [
        Conflict("heron", a * SECOND, (a + n) * SECOND, "x")
        for a, n in draw(st.lists(st.tuples(second, st.integers(1, 100)), max_size=2))
    ]
    return facts


@given(
    histories(),
    st.lists(st.tuples(second, second), max_size=4),
    st.lists(second, min_size=2, max_size=8, unique=True).map(sorted),
)
def test_buckets_add_up_and_ratios_lie_between_nought_and_one(facts, plan, cutpoints):
    edges = np.array(cutpoints) * SECOND
    act = activity(outline_of(facts), Extent(0, 3_000 * SECOND), 3_000 * SECOND)
    plan = spans([(a * SECOND, b * SECOND) for a, b in plan])
    buckets = utilisation(act, plan, edges, GAP, 3_000 * SECOND)
    (whole,) = utilisation(act, plan, edges[[0, -1]], GAP, 3_000 * SECOND)
    for name in ("planned", "pbt", "apt", "aubt", "extra"):
        assert sum(getattr(b, name) for b in buckets) == getattr(whole, name)
    for b in buckets:
        assert 0 <= b.apt <= b.aubt <= b.pbt <= b.planned <= b.end - b.start
        for ratio in (b.availability, b.allocation_efficiency, b.utilization_efficiency, b.coverage):
            assert ratio is None or 0 <= ratio <= 1


@given(histories(), st.integers(1, 400))
def test_every_second_is_in_use_exactly_when_the_words_say_so(facts, busy_gap):
    told = 10_000 * SECOND  # past all that is drawn: a pause at the edge is judged by the cut that ends it
    act = activity(outline_of(facts), Extent(0, told), told)
    edges = np.arange(0, 3_000 * SECOND + 1, SECOND)
    buckets = utilisation(act, spans([(0, 3_000 * SECOND)]), edges, busy_gap * SECOND, 3_000 * SECOND)
    by = {k: [(f.start // SECOND, f.end // SECOND) for f in facts if f.kind == k] for k in ("run", "cut", "gap")}
    pauses = [(a[1], b[0]) for a, b in itertools.pairwise(sorted(by["cut"])) if b[0] - a[1] < busy_gap]
    for t, b in enumerate(buckets):
        known = not any(a <= t < e for a, e in by["gap"])
        used = any(a <= t < e for a, e in by["run"] + pauses)
        assert (b.pbt, b.aubt) == (known * SECOND, (known and used) * SECOND)
