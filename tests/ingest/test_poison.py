"""A detector that raises: that stretch of that saw has no facts yet, its readings are kept, and everything else goes on."""

from __future__ import annotations

import pytest

from collector.book.troubles import TroubleBook
from collector.facts import SECOND
from collector.signals import Series, Trace, merge
from collector.troubles import ASIDE
from tests.ingest.conftest import T0, Shop, motor
from tests.ingest.threshold import ThresholdDetector, derive

POISON = 666_000


class Choosy(ThresholdDetector):
    def feed(self, trace):
        if (trace.motor.v == POISON).any():
            raise ZeroDivisionError("no such current")
        super().feed(trace)


def poisoned(at: int) -> Trace:
    return Trace(Series.of([at], [POISON]), Series.empty(), Series.empty(), Series.empty())


def fed(shop: Shop, trace: Trace, saw: str = "heron") -> None:
    for at in range(trace.first, trace.last + 1, 5 * SECOND):
        part = trace.between(at, at + 5 * SECOND)
        if len(part):
            shop.take(part, saw=saw)
    shop.ingest.settle()


MORNING = motor([(5, 0), *[(4, 3.2), (6, 7.1)] * 5, (4, 3.2), (60, 0)])
NOON = motor([(5, 0), *[(4, 3.2), (6, 7.1)] * 3, (4, 3.2), (60, 0)], start=T0 + 3600 * SECOND)
AT = T0 + 3000 * SECOND


@pytest.fixture
def choosy(tmp_path):
    shop = Shop(tmp_path, Choosy)
    yield shop
    shop.close()


def test_the_saw_goes_on_after_the_readings_and_the_others_are_not_touched(choosy):
    fed(choosy, MORNING)
    before = choosy.facts()
    choosy.take(poisoned(AT))
    fed(choosy, MORNING, "plover")
    fed(choosy, NOON)
    assert choosy.facts("plover") == derive("plover", MORNING)
    assert [f for f in choosy.facts() if f.start < AT] == before
    assert [f for f in choosy.facts() if f.start > AT] == derive("heron", NOON)
    assert choosy.trace.read("heron", 0, 2**62).same(merge([MORNING, poisoned(AT), NOON]))
    assert [s.from_us for s in choosy.book.dirty("heron")] == [AT]
    choosy.troubles.write()
    (noted,) = TroubleBook(choosy.book).since(0)
    assert (noted.kind, noted.saw) == (ASIDE, "heron")
    assert "ZeroDivisionError: no such current" in noted.said


def test_what_was_going_on_ends_where_nothing_more_is_known(choosy):
    running = motor([(5, 0), (20, 3.2)])
    fed(choosy, running)
    assert choosy.facts()[-1].end is None
    choosy.take(poisoned(running.last + SECOND))
    choosy.ingest.settle()
    assert choosy.facts()[-1].end == running.last + SECOND


def test_a_program_that_can_read_them_derives_the_stretch_at_its_start(choosy):
    fed(choosy, MORNING)
    fed(choosy, poisoned(AT))
    fed(choosy, NOON)
    choosy.die().catch_up()
    assert len(choosy.book.dirty("heron")) == 1  # tried again, and in vain
    assert [f for f in choosy.facts() if f.start > AT] == derive("heron", NOON)
    choosy.make = ThresholdDetector
    choosy.die().catch_up()
    assert choosy.book.dirty("heron") == []
    assert choosy.facts() == derive("heron", merge([MORNING, poisoned(AT), NOON]))


def test_a_detector_that_fails_at_everything_costs_one_mark_and_no_reading(choosy):
    fed(choosy, MORNING)
    packs = [poisoned(AT + n * SECOND) for n in range(50)]
    for pack in packs:
        choosy.take(pack)
        choosy.ingest.settle()
    assert len(choosy.book.dirty("heron")) == 1
    assert len(choosy.trace.read("heron", AT, 2**62)) == 50
    fed(choosy, NOON)
    assert [f for f in choosy.facts() if f.start > AT + 60 * SECOND] == derive("heron", NOON)


def test_late_readings_that_cannot_be_derived_leave_the_facts_as_they_were(choosy):
    fed(choosy, MORNING)
    fed(choosy, NOON)
    before = choosy.facts()
    fed(choosy, poisoned(AT))
    assert choosy.facts() == before
    assert len(choosy.book.dirty("heron")) == 1
    evening = motor([(5, 0), (10, 3.2), (60, 0)], start=T0 + 7200 * SECOND)
    fed(choosy, evening)
    assert [f for f in choosy.facts() if f.start >= evening.first] == derive("heron", evening)
