"""Promise 1 without a broker: die before or after any commit, redeliver what was not acknowledged, lose nothing."""

from __future__ import annotations

from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.facts import SECOND
from collector.wire.pack import write_pack
from tests.ingest.conftest import BOX, T0, Shop, memory_folder, motor
from tests.ingest.test_laws import TOPIC, deliveries
from tests.ingest.threshold import derive


class DeadError(Exception):
    """The process is no more."""


class Fuse:
    """Lets a number of store commits pass, then dies: before the next one has begun, or right after it."""

    def __init__(self, deaths) -> None:
        self.deaths = iter(deaths)
        self.next = next(self.deaths, None)

    def guard(self, owner, name) -> None:
        call = getattr(owner, name)

        def guarded(*args, **more):
            if self.next is None:
                return call(*args, **more)
            left, after = self.next
            if left:
                self.next = (left - 1, after)
                return call(*args, **more)
            self.next = next(self.deaths, None)
            if after:
                call(*args, **more)
            raise DeadError

        setattr(owner, name, guarded)

    def arm(self, shop) -> None:
        self.guard(shop.trace, "commit")
        for name in ("commit", "mark_dirty", "put_receipts"):
            self.guard(shop.book, name)


@given(deliveries(), st.lists(st.tuples(st.integers(0, 6), st.booleans()), max_size=6), st.booleans())
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_whenever_it_dies_and_whether_it_lives_on_or_not_the_book_is_that_of_one_pass(delivery, deaths, lives_on):
    whole, packs, breaks, _ = delivery
    with memory_folder() as folder:
        shop, fuse = Shop(Path(folder)), Fuse(deaths)
        fuse.arm(shop)
        try:
            waiting, i = list(packs), 0
            taken = 0
            while waiting:
                try:
                    while taken < len(waiting):
                        pack = waiting[taken]
                        shop.ingest.take(TOPIC, write_pack(BOX, pack), pack.last, False, i)
                        taken, i = taken + 1, i + 1
                        if i in breaks:
                            break
                    acknowledged = len(shop.ingest.settle())
                    waiting, taken = waiting[acknowledged:], 0
                except DeadError:
                    if not lives_on:
                        shop.die()
                        fuse.arm(shop)
                        taken = 0
            while True:
                try:
                    shop.ingest.catch_up()
                    break
                except DeadError:
                    pass
            assert shop.facts() == derive("heron", whole)
            assert shop.trace.read("heron", 0, 2**62).same(whole)
            assert shop.book.dirty("heron") == []
        finally:
            shop.close()


def test_a_box_without_a_clock_is_not_counted_twice_when_the_broker_delivers_again(shop):
    trace = motor([(1, 3.2)])
    payload = write_pack(BOX, trace, base_time_us=trace.last, clock=False)
    shop.ingest.take(TOPIC, payload, trace.last, False, "a", mid=7)
    shop.trace.commit, commit = None, shop.trace.commit  # dies when the trace is about to be committed
    try:
        shop.ingest.settle()
    except TypeError:
        shop.trace.commit = commit
    shop.trace.commit()
    shop.die()
    shop.ingest.take(TOPIC, payload, trace.last + 90 * SECOND, False, "a", mid=7, again=True)
    assert shop.ingest.settle() == ["a"]
    assert shop.trace.read("heron", 0, 2**62).same(trace)


def test_the_same_words_of_a_box_without_a_clock_said_later_are_new_readings(shop):
    payload = write_pack(BOX, motor([(1, 0)]), base_time_us=T0 + SECOND, clock=False)
    for n in range(3):
        shop.ingest.take(TOPIC, payload, T0 + (10 * n + 1) * SECOND, False, n, mid=n + 1)
        shop.ingest.settle()
    assert len(shop.trace.read("heron", 0, 2**62)) == 30
