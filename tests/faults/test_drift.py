"""A box's clock runs fast or slow for hours: no fact is lost or moved otherwise than by the clock, no silence is seen.

200 ppm is more than an uncompensated quartz strays (common practice, no source), 2 % is a broken one. Time is simulated.
"""

from __future__ import annotations

import datetime as dt
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import pytest

from api.answers.alert_rules import Limits, SawFacts, silence, wrong_clock
from api.answers.intervals import spans
from collector.detect.detector import Detector
from collector.facts import SECOND, Cut, Gap, Run
from simulator.box import Box
from simulator.play import deliveries
from simulator.shop import Saw, simulate_day
from tests.ingest.conftest import Shop, memory_folder

if TYPE_CHECKING:
    from collector.facts import Fact

HOUR = 3600 * SECOND
BEGIN, END = 8 * HOUR, round(10.25 * HOUR)
"""Since midnight: work goes on, and 2 % come to more than two minutes."""


class Seen(NamedTuple):
    """The facts; what was refused; when each rule spoke first, µs of true time since ``BEGIN``; the clock's lead then."""

    start: int
    facts: list[Fact]
    refused: dict[tuple[str, str], int]
    told: dict[str, int]
    lead: int


@cache
def seen(ppm: float, lead_s: float) -> Seen:
    """Hours of a working day by a clock that is ``lead_s`` ahead at their begin and runs so much too fast."""
    at_midnight = lead_s - BEGIN / SECOND * ppm * 1e-6
    saw = Saw("heron", box=Box(clock_ppm=ppm, clock_offset_s=at_midnight))
    played = simulate_day(saw, dt.date(2026, 3, 3), 7)
    start = played.start_us + BEGIN
    planned = spans([(start, start + 24 * HOUR)])
    told: dict[str, int] = {}
    look = lead = 0
    with memory_folder() as folder, Shop(Path(folder), Detector) as shop:
        for one in deliveries(played):
            if not start <= one.at_us < played.start_us + END:
                continue
            shop.clock = one.at_us
            shop.take(one.trace, received=one.at_us)
            if one.at_us < look:
                continue
            look = one.at_us + 30 * SECOND
            shop.ingest.settle()
            now = shop.book.now("heron")
            lead = now.at - one.at_us
            known = SawFacts("heron", (), now.at, now.clock_skew_us, planned)
            for condition in (*silence(known, one.at_us), *wrong_clock(known, one.at_us, Limits().skew, None)):
                told.setdefault(condition.key.kind, one.at_us - start)
        shop.ingest.settle()
        return Seen(start, shop.facts(), shop.book.refusal_counts(), told, lead)


@pytest.mark.parametrize(("ppm", "lead_s"), [(200, 0), (-200, -14.5), (20_000, 0), (-20_000, 0)])
def test_facts_are_all_there_at_the_boxs_time_and_no_silence_is_seen_where_none_was(ppm, lead_s):
    right, drifted = seen(0, 0), seen(ppm, lead_s)
    assert len(right.facts) > 40
    assert not drifted.refused
    assert not [f for f in drifted.facts if isinstance(f, Gap)]
    assert "box-silent" not in drifted.told  # also where the newest reading always seems to be older than 15 s
    if lead_s < 0:
        assert drifted.lead < -15 * SECOND

    def shown(at: int) -> float:
        return right.start + (at - right.start) * (1 + ppm * 1e-6) + lead_s * SECOND

    for kind in (Cut, Run):
        true, found = ([f for f in one.facts if isinstance(f, kind)] for one in (right, drifted))
        assert len(found) == len(true) > 0
        for a, b in zip(true, found, strict=True):
            assert b.start == pytest.approx(shown(a.start), abs=0.3 * SECOND)
            assert (a.end is None) == (b.end is None)
            assert a.end is None or b.end == pytest.approx(shown(a.end), abs=0.3 * SECOND)


@pytest.mark.parametrize(("ppm", "lead_s"), [(200, 0), (-200, -14.5)])
def test_a_quartz_that_strays_alarms_nobody(ppm, lead_s):
    assert seen(ppm, lead_s).told == {}


@pytest.mark.parametrize("ppm", [20_000, -20_000])
def test_a_broken_clock_is_told_when_it_is_two_minutes_off(ppm):
    at = seen(ppm, 0).told["clock-wrong"]
    assert at == pytest.approx(120 * SECOND / 0.02, abs=90 * SECOND)  # packs of a second, a look each half minute
