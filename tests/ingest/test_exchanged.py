"""A saw's box is exchanged for another: told once, also where Kerfbook was not running meanwhile."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from collector.book.troubles import TroubleBook
from collector.facts import SECOND
from collector.wire.pack import write_pack
from tests.ingest.conftest import BOX, T0, Shop, motor
from tests.ingest.test_laws import TOPIC

if TYPE_CHECKING:
    from collector.signals import Trace

OTHER = "urn:dev:mac:0024befffe804ff2:"


class Told(Shop):
    """A shop that hears boxes, and reads what was told of them."""

    def hear(self, box: str, trace: Trace) -> None:
        self.clock = max(self.clock, trace.last)
        self.ingest.take(TOPIC, write_pack(box, trace), self.clock, False, None)
        self.ingest.settle()
        self.troubles.write()

    def told(self) -> list[str]:
        return [one.said for one in TroubleBook(self.book).since(0) if one.kind == "box-changed"]


@pytest.fixture
def shop(tmp_path):
    shop = Told(tmp_path)
    yield shop
    shop.close()


def minute(number: int) -> Trace:
    return motor([(10, 0), (5, 3.2), (5, 0)], step=0.5, start=T0 + number * 60 * SECOND)


def test_another_box_than_before_the_start_is_told_once(shop):
    shop.hear(BOX, minute(0))
    shop.die()
    shop.hear(OTHER, minute(5))
    shop.hear(OTHER, minute(6))
    assert shop.told() == [f"{OTHER} speaks for it now; before, it was {BOX}"]
    shop.die()
    shop.hear(OTHER, minute(7))
    assert len(shop.told()) == 1


def test_the_same_box_after_a_start_is_nothing_to_tell(shop):
    shop.hear(BOX, minute(0))
    shop.die()
    shop.hear(BOX, minute(90))
    assert shop.told() == []


def test_the_first_box_of_a_saw_is_nothing_to_tell(shop):
    shop.hear(BOX, minute(0))
    assert shop.told() == []


def test_what_the_box_before_had_kept_and_delivers_late_is_taken_and_changes_nothing(shop):
    shop.hear(BOX, minute(0))
    shop.hear(OTHER, minute(5))
    shop.die()
    shop.hear(BOX, minute(2))
    assert shop.trace.read("heron", minute(2).first, minute(2).last + 1).same(minute(2))
    assert shop.book.box("heron").urn == OTHER
    shop.die()
    shop.hear(OTHER, minute(8))
    assert len(shop.told()) == 1


def test_a_second_box_that_speaks_at_the_same_time_is_not_believed_after_a_start_either(shop):
    shop.hear(BOX, minute(0))
    shop.die()
    shop.hear(OTHER, motor([(5, 0)], start=minute(0).last + SECOND))
    assert [entry.code for entry in shop.book.refusals()] == ["second-box"]
    assert shop.told() == []
    assert shop.book.box("heron").urn == BOX


def test_readings_from_a_future_that_never_came_keep_no_other_box_out(shop):
    """This computer's clock was a day ahead, and is right again after a start."""
    shop.hear(BOX, minute(24 * 60))
    shop.die()
    shop.clock = T0
    shop.open()
    shop.hear(OTHER, minute(5))
    assert shop.told() == [f"{OTHER} speaks for it now; before, it was {BOX}"]


def test_of_two_collectors_of_the_same_stores_the_one_that_hears_it_later_says_nothing(shop):
    shop.hear(BOX, minute(0))
    first, first_troubles = shop.ingest, shop.troubles
    beside, beside_troubles = shop.open(), shop.troubles
    shop.ingest, shop.troubles = first, first_troubles
    shop.hear(OTHER, minute(5))
    shop.ingest, shop.troubles = beside, beside_troubles
    shop.hear(OTHER, minute(6))
    assert len(shop.told()) == 1
