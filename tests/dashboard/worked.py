"""A workshop whose saws really worked: simulated days in the trace, and the facts that the detector finds in them."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from collector.book.entries import NowEntry, SawCommit
from collector.derive import Derivation
from collector.detect.detector import Detector
from collector.signals import merge
from simulator import world

if TYPE_CHECKING:
    from tests.dashboard.shop import Shop

DAY = dt.date(2026, 3, 2)


def work_a_day(shop: Shop, saw: str = "heron", seed: int = 5, silent: tuple[int, int] = (0, 0)) -> None:
    """Fill the saw's morning, until the shop's clock, as a collector would have; nothing arrives while ``silent``."""
    trace = world.day_of(saw, DAY, seed).trace
    trace = merge([trace.between(0, silent[0]), trace.between(silent[1], shop.clock.us())])
    detector = Detector(saw)
    derivation = Derivation(detector)
    derivation.feed(trace)
    shop.trace.write(saw, trace)
    shop.trace.commit()
    now = NowEntry.of(saw, detector.now())
    shop.book.commit([SawCommit(saw, 0, None, derivation.facts, now=now, rests_from_us=0, rests=derivation.rests)])
