"""What must be true of every truth, whatever the seed and the difficulty."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.facts import SECOND, Cut, Direction, Run, parse_iso
from simulator.difficulties import SCENARIOS
from simulator.truth import TrueCut, Truth, Use, use

any_scenario = given(name=st.sampled_from(sorted(SCENARIOS)), seed=st.integers(0, 2**31))


@settings(max_examples=60, deadline=None)
@any_scenario
def test_every_cut_lies_inside_a_run_at_full_speed_and_apart_from_the_next(name: str, seed: int) -> None:
    played = SCENARIOS[name](seed)
    spans = sorted([(c.cut.start, c.cut.end) for c in [*played.facts.cuts, *played.facts.bumps]])
    for (_, end), (start, _) in pairwise(spans):
        assert start - end > 1.1 * SECOND
    for start, end in spans:
        run = next(
            r for r in played.script.runs if played.start_us + r.on * 1e6 <= start <= played.start_us + r.off * 1e6
        )
        assert start >= played.start_us + (run.on + run.start.ready_s) * 1e6
        assert end is not None
        assert end <= played.start_us + run.off * 1e6


@settings(max_examples=60, deadline=None)
@any_scenario
def test_the_beam_is_locked_for_vertical_cuts_and_free_for_horizontal_ones(name: str, seed: int) -> None:
    played = SCENARIOS[name](seed)
    locks = played.script.locks
    for true in played.facts.cuts:
        at = (true.cut.start - played.start_us) / 1e6
        locked = [state for when, state, _ in locks if when <= at][-1]
        assert locked == (true.cut.direction is Direction.VERTICAL)
        assert not true.cut.lock_moved


@settings(max_examples=60, deadline=None)
@any_scenario
def test_cuts_last_longer_than_bumps(name: str, seed: int) -> None:
    played = SCENARIOS[name](seed)
    assert all(c.cut.end - c.cut.start >= 1.0 * SECOND for c in played.facts.cuts)
    assert all(c.cut.end - c.cut.start < 0.8 * SECOND for c in played.facts.bumps)


@settings(max_examples=60, deadline=None)
@any_scenario
def test_runs_follow_each_other_and_count_their_cuts(name: str, seed: int) -> None:
    played = SCENARIOS[name](seed)
    runs = played.facts.runs
    for before, after, still in zip(runs, runs[1:], played.facts.standstill, strict=False):
        assert before.end is not None
        assert still >= before.end
        assert after.start > still
    assert sum(r.cuts for r in runs) == sum(not c.unseen for c in played.facts.cuts)
    for run, script in zip(runs, played.script.runs, strict=True):
        seen = script.brake.electronic and script.brake.visible
        assert (run.stop_us is not None) == seen
        if run.stop_us is not None:
            assert run.stop_us == pytest.approx(script.brake.stop_s * 1e6, rel=0.001)


@settings(max_examples=60, deadline=None)
@any_scenario
def test_the_door_is_opened_at_standstill_unless_the_cause_says_too_early(name: str, seed: int) -> None:
    played = SCENARIOS[name](seed)
    for visit, cause in zip(played.facts.doors, played.facts.door_causes, strict=True):
        assert visit.before_stop == ("too early" in cause)
        assert visit.current_seen == any(visit.start < c.end and c.start < visit.end for c in played.facts.conflicts)
        assert visit.end is not None
        assert visit.end > visit.start


@settings(max_examples=60, deadline=None)
@any_scenario
def test_cuts_are_unseen_or_partial_only_where_readings_are_missing(name: str, seed: int) -> None:
    played = SCENARIOS[name](seed)
    for true in played.facts.cuts:
        touched = any(a < true.cut.end and true.cut.start < b for a, b in played.facts.holes)
        assert true.partial <= touched
        assert true.unseen <= true.partial
        assert (true.start_seen and true.end_seen) or true.partial
    assert all(g.end - g.start > 15 * SECOND for g in played.facts.gaps)
    if not played.holes:
        assert not played.facts.gaps


@settings(max_examples=20, deadline=None)
@any_scenario
def test_records_have_the_form_of_replay_in_order_of_start(name: str, seed: int) -> None:
    played = SCENARIOS[name](seed)
    records = played.truth
    assert [r["start"] for r in records] == sorted(r["start"] for r in records)
    for record in records:
        assert record["saw"] == "heron"
        assert parse_iso(record["start"]) < parse_iso(record["end"])
    cut = next(r for r in records if r["kind"] == "cut")
    assert " ".join(list(cut)[:10]) == ("kind saw start end direction mean_amps peak_amps idle_amps lock_moved station")


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_the_same_seed_plays_the_same_and_another_does_not(name: str) -> None:
    first, again, other = SCENARIOS[name](7), SCENARIOS[name](7), SCENARIOS[name](8)
    assert first.trace.same(again.trace)
    assert first.truth == again.truth
    assert not first.trace.same(other.trace)


def test_each_scenario_is_half_an_hour_with_plenty_to_find() -> None:
    for scenario in SCENARIOS.values():
        played = scenario(11)
        assert 20 <= played.script.seconds / 60 <= 45
        assert len(played.facts.cuts) >= 12


def test_scenarios_are_as_hard_as_they_say() -> None:
    light = SCENARIOS["light_cuts"](3)
    assert min(c.rise_ma for c in light.facts.cuts) < 200
    assert light.saw.box.noise == 0.05
    close = SCENARIOS["close_cuts"](3).facts.cuts
    assert min(b.cut.start - a.cut.end for a, b in pairwise(close)) < 1.35e6
    assert len(SCENARIOS["touches"](3).facts.bumps) > 8
    assert SCENARIOS["gaps"](3).facts.gaps or SCENARIOS["gaps"](4).facts.gaps
    assert any(v.before_stop and v.current_seen for v in SCENARIOS["early_door"](3).facts.doors)
    cold = SCENARIOS["cold_saw"](3)
    first, last = cold.facts.cuts[0].cut.idle_ma, cold.facts.cuts[-1].cut.idle_ma
    assert first > last


def test_use_of_a_saw_by_hand() -> None:
    def run(a: int, b: int) -> Run:
        return Run("heron", a * SECOND, b * SECOND, None, None, 0)

    def cut(a: int, b: int) -> TrueCut:
        return TrueCut(Cut("heron", a * SECOND, b * SECOND, Direction.VERTICAL, 1, 1, 1, False, None))

    # Two runs of 100 s with a pause of 150 s between their cuts, then one 400 s later; planned 0..1000 s.
    truth = Truth("heron", 0, 1000 * SECOND)
    truth.runs = [run(0, 100), run(200, 300), run(700, 800)]
    truth.cuts = [cut(50, 60), cut(210, 220), cut(710, 720)]
    assert use([truth], [(0, 1000 * SECOND)]) == Use(1000, 400, 30)
    assert use([truth], [(0, 1000 * SECOND)]).allocation_efficiency == 0.4
    assert use([truth], [(0, 250 * SECOND)]) == Use(250, 250, 20)
    assert use([truth], [(0, 1000 * SECOND)], busy_gap_s=100) == Use(1000, 300, 30)
