"""What a detector is done with leaves memory at once.

Python looks for cycles among long-lived objects only when their number has grown by a quarter, which with ten saws took
hours: 12 MB of samples of runs that were over waited for it, in a heap that does not shrink again.
"""

from __future__ import annotations

import gc
from typing import TYPE_CHECKING

import pytest

from collector.detect.detector import Detector
from tests.detect import other_saw
from tests.detect.arbitrary import parts_of

if TYPE_CHECKING:
    from collections.abc import Iterator

FAMILY = sorted(other_saw.FAMILIES)[0]


@pytest.fixture
def _no_automatic_look() -> Iterator[None]:
    gc.collect()
    gc.disable()
    yield
    gc.enable()


@pytest.mark.usefixtures("_no_automatic_look")
def test_runs_that_are_over_are_in_no_cycle():
    trace = other_saw.tell(FAMILY, 5, 240.0).trace
    packs = parts_of(trace, list(range(trace.first, trace.last, 1_000_000)))
    gc.collect()
    detector = Detector("saw")
    runs = 0
    for pack in packs:
        detector.feed(pack)
        runs += sum(fact.kind == "run" and fact.end is not None for fact in detector.facts().facts)
    assert runs
    assert gc.collect() == 0


@pytest.mark.usefixtures("_no_automatic_look")
def test_a_detector_that_is_given_up_in_mid_run_is_in_no_cycle():
    trace = other_saw.tell(FAMILY, 5, 240.0).trace
    gc.collect()
    detector = Detector("saw")
    for pack in parts_of(trace, list(range(trace.first, trace.last, 1_000_000))):
        detector.feed(pack)
        detector.now()
        if detector.now().state == "WORKING":
            break
    else:
        pytest.fail("no cut in this trace")
    Detector("saw", state=detector.dump()).feed(trace.between(detector.consumed + 1, trace.last + 1))
    del detector
    assert gc.collect() == 0
