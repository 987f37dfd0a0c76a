"""From simulated readings through the detector into both stores, and out of the API."""

from __future__ import annotations

import datetime as dt

import pytest

from api.answers.calendar import planned
from collector.book.entries import NowEntry, SawCommit
from collector.derive import Derivation
from collector.detect.detector import Detector
from collector.facts import SECOND, Cut, iso
from simulator.shop import Saw, simulate_day
from simulator.truth import use as used
from tests.api.conftest import LISBON, SHOP_PLAN


@pytest.fixture(scope="module")
def played():
    return simulate_day(Saw("heron"), dt.date(2026, 3, 2), seed=11)


def test_a_simulated_day_is_answered_as_it_was(empty_shop, played):
    shop = empty_shop
    now = played.end_us - SECOND  # still that day
    shop.clock.now = now
    detector = Detector("heron")
    derivation = Derivation(detector)
    derivation.feed(played.trace)
    facts = derivation.facts
    shop.trace.write("heron", played.trace)
    shop.trace.commit()
    present = NowEntry.of("heron", detector.now())
    shop.book.commit([SawCommit("heron", 0, None, facts, now=present, rests=derivation.rests)])
    client = shop.open().test_client()
    entry = client.get("/api/v1/wall").json["saws"][0]

    cuts = [f for f in facts if isinstance(f, Cut)]
    assert entry["cuts"]["total"] == len(cuts) > 50
    assert entry["cuts"]["vertical"] == sum(c.direction == "vertical" for c in cuts)

    # The simulator's own reckoning of what really happened: within half a percentage point, design.md's bar.
    day = played.start_us
    truth = used([played.facts], planned(SHOP_PLAN, LISBON, day, now).tolist())
    use = entry["utilisation"]
    assert truth.allocation_efficiency > 0.2
    assert use["allocation_efficiency"] == pytest.approx(truth.allocation_efficiency, abs=0.005)
    assert use["availability"] == pytest.approx(truth.availability, abs=0.005)
    assert use["coverage"] > 0.95

    listed = client.get(f"/api/v1/saws/heron/cuts?from={iso(day)}&limit=1000").json["cuts"]
    assert len(listed) == entry["cuts"]["total"]
    envelope = client.get(f"/api/v1/saws/heron/trace?from={iso(day)}&points=500").json["motor"]
    assert max(p["high"] or 0 for p in envelope) == int(played.trace.motor.v.max()) / 1000
