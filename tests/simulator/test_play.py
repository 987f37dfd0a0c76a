"""What a box sends obeys the wire format and says exactly what the trace holds."""

from __future__ import annotations

import io
import itertools
import json
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collector.facts import SECOND
from collector.signals import merge
from collector.wire.pack import read_pack
from simulator.dice import generator
from simulator.difficulties import SCENARIOS
from simulator.play import Delivery, deliveries, pace, write_packs
from simulator.shop import Played, Saw, play

if TYPE_CHECKING:
    from simulator.box import Box


def with_box(played: Played, box: Box) -> Played:
    saw = Saw("heron", played.saw.motor, box)
    return play(saw, played.script, generator(3))


@settings(max_examples=8, deadline=None)
@given(name=st.sampled_from(sorted(SCENARIOS)), seed=st.integers(0, 2**31), form=st.sampled_from(["json", "cbor"]))
def test_the_packs_decode_to_the_trace(name: str, seed: int, form: str) -> None:
    played = SCENARIOS[name](seed)
    packs = [read_pack(d.payload(form), d.at_us) for d in deliveries(played)]
    assert merge(p.trace for p in packs).same(played.trace)
    assert {p.box for p in packs} == {"urn:dev:mac:0024befffe804ff1:"}


def test_a_pack_holds_a_second_and_leaves_when_it_is_over() -> None:
    for delivery in deliveries(SCENARIOS["ordinary"](2)):
        assert delivery.trace.last - delivery.trace.first < SECOND
        assert 0 <= delivery.at_us - delivery.trace.last <= SECOND


def test_every_switch_is_in_a_pack_at_least_every_ten_seconds() -> None:
    played = SCENARIOS["ordinary"](2)
    for signal in ("lock", "door"):
        times = [d.at_us for d in deliveries(played) if len(getattr(d.trace, signal))]
        assert max(b - a for a, b in itertools.pairwise(times)) <= 11 * SECOND


def test_a_box_that_cannot_reach_the_broker_delivers_everything_later_in_order() -> None:
    base = SCENARIOS["ordinary"](2)
    away = with_box(base, replace(base.saw.box, outages=((300.0, 900.0),)))
    always = with_box(base, base.saw.box)
    sent = list(deliveries(away))
    assert merge(d.trace for d in sent).same(always.trace)
    start = base.script.start_us
    assert not any(start + 300 * SECOND <= d.at_us < start + 900 * SECOND for d in sent)
    late = [d for d in sent if d.at_us - d.trace.last > 2 * SECOND]
    assert len(late) > 100
    assert [d.trace.first for d in late] == sorted(d.trace.first for d in late)
    assert [d.at_us for d in sent] == sorted(d.at_us for d in sent)


def test_a_box_without_a_clock_says_how_long_ago() -> None:
    base = SCENARIOS["ordinary"](2)
    played = with_box(base, replace(base.saw.box, has_clock=False))
    delivery = list(deliveries(played))[40]
    records = json.loads(delivery.payload())
    assert "bt" not in records[0]
    assert all(-2 <= r.get("t", 0) <= 0 for r in records)
    assert read_pack(delivery.payload(), delivery.at_us).trace.same(delivery.trace)
    assert read_pack(delivery.payload(absolute=True), None).trace.same(delivery.trace)


def test_a_box_with_a_wrong_clock_still_sends_at_the_right_time() -> None:
    base = SCENARIOS["ordinary"](2)
    wrong = list(deliveries(with_box(base, replace(base.saw.box, clock_offset_s=3600.0))))
    assert all(3598 * SECOND <= d.trace.last - d.at_us <= 3601 * SECOND for d in wrong)


def test_a_file_holds_a_pack_a_line_and_the_truth_a_fact_a_line() -> None:
    played = [SCENARIOS["ordinary"](2), SCENARIOS["gaps"](2)]
    packs, truth = io.BytesIO(), io.BytesIO()
    count = write_packs(played, packs, truth)
    lines = packs.getvalue().splitlines()
    assert len(lines) == count
    first = sum(1 for _ in deliveries(played[0]))
    assert merge(read_pack(line, None).trace for line in lines[:first]).same(played[0].trace)
    assert [json.loads(line) for line in truth.getvalue().splitlines()] == [*played[0].truth, *played[1].truth]


class FakeTime:
    def __init__(self) -> None:
        self.now = 100.0

    def clock(self) -> float:
        return self.now

    def wait(self, seconds: float) -> bool:
        self.now += seconds
        return False


@pytest.mark.parametrize("speed", [1.0, 60.0])
def test_live_or_faster_each_pack_leaves_at_its_time(speed: float) -> None:
    flow = list(deliveries(SCENARIOS["ordinary"](2)))
    time = FakeTime()
    sent: list[tuple[float, Delivery]] = []
    count = pace(flow, lambda d: sent.append((time.now, d)), speed=speed, clock=time.clock, wait=time.wait)
    assert count == len(flow) == len(sent)
    for now, delivery in sent:
        assert now - 100.0 == pytest.approx((delivery.at_us - flow[0].at_us) / 1e6 / speed, abs=1e-3)


def test_what_lies_before_the_start_is_skipped_and_a_stop_is_obeyed() -> None:
    flow = list(deliveries(SCENARIOS["ordinary"](2)))
    time = FakeTime()
    sent: list[Delivery] = []
    start = flow[50].at_us
    pace(flow, sent.append, start_us=start, speed=float("inf"), clock=time.clock)
    assert len(sent) == len(flow) - 50
    assert pace(flow, sent.append, clock=time.clock, wait=lambda _: True) == 1
