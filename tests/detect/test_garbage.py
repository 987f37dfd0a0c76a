"""What a detector is done with leaves memory at once.

Python looks for cycles among long-lived objects only when their number has grown by a quarter, which with ten saws took
hours: 12 MB of samples of runs that were over waited for it, in a heap that does not shrink again.
"""

from __future__ import annotations

import gc
from typing import TYPE_CHECKING

import pytest

from collector.detect.detector import Detector
from collector.detect.raw import Raw
from collector.detect.reader import Reader
from collector.detect.run import RunTracker
from tests.detect import other_saw
from tests.detect.arbitrary import parts_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

FAMILY = sorted(other_saw.FAMILIES)[0]


@pytest.fixture
def fresh() -> Iterator[Callable[[], list[object]]]:
    """Gives what is in memory of runs since the test began, while Python looks for no cycles."""
    gc.collect()
    gc.disable()
    before = {id(one) for one in of_runs()}  # of others, such as a collector that another test left
    yield lambda: [one for one in of_runs() if id(one) not in before]
    gc.enable()


def of_runs() -> list[object]:
    return [one for one in gc.get_objects() if isinstance(one, RunTracker | Reader | Raw)]


def test_a_run_that_is_over_leaves_memory_at_once(fresh):
    trace = other_saw.tell(FAMILY, 5, 240.0).trace
    detector = Detector("saw")
    over, most = 0, 0
    for n, pack in enumerate(parts_of(trace, list(range(trace.first, trace.last, 1_000_000)))):
        detector.feed(pack)
        ended = sum(fact.kind == "run" and fact.end is not None for fact in detector.facts().facts)
        over += ended
        if ended or n % 30 == 0:  # a look through the whole heap takes long
            most = max(most, len(fresh()))
    assert over
    assert most == 3  # one of each: of the run that goes on
    del detector
    assert fresh() == []


def test_a_detector_that_is_given_up_in_mid_run_leaves_memory_at_once(fresh):
    trace = other_saw.tell(FAMILY, 5, 240.0).trace
    detector = Detector("saw")
    for pack in parts_of(trace, list(range(trace.first, trace.last, 1_000_000))):
        detector.feed(pack)
        if detector.now().state == "WORKING":
            break
    else:
        pytest.fail("no cut in this trace")
    Detector("saw", state=detector.dump()).feed(trace.between(detector.consumed + 1, trace.last + 1))
    assert fresh()
    del detector
    assert fresh() == []
