"""Several collectors on the same stores: whoever gets a message, and whoever stands still or dies, the facts are those
of one collector."""

from __future__ import annotations

import shutil
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import update

from collector.book import Book, SawEntry
from collector.book.engine import writing
from collector.book.leases import LeaseLostError, Leases, holder
from collector.facts import SECOND
from collector.ingest import Ingest
from collector.trace.sqlite import SqliteTrace
from collector.wire.pack import write_pack
from tests.ingest.conftest import BOX, empty_book, memory_folder, motor
from tests.ingest.test_laws import TOPIC, deliveries
from tests.ingest.threshold import ThresholdDetector, derive


class DeadError(Exception):
    """Killed here."""


def until_done(work) -> None:
    """As the collector does: it may find more than once that it has lost its saws."""
    while True:
        try:
            work()
        except LeaseLostError:
            continue
        return


class One:
    """A collector with connections of its own, on a computer of its own."""

    def __init__(self, folder: Path, name: str) -> None:
        self.book, self.trace = Book(f"sqlite:///{folder}/book.db"), SqliteTrace(folder / "trace.db")
        self.leases = Leases(self.book.engine, name, place=name)
        self.before = lambda: None  # before the trace's commit
        self.between = lambda: None  # after it, before the book's
        commit = self.trace.commit

        def committing() -> None:
            self.before()
            commit()
            self.between()

        self.trace.commit = committing
        self.ingest = Ingest(
            self.trace, self.book, [SawEntry("heron")], None, lambda: 0, make=ThresholdDetector, leases=self.leases
        )

    def take(self, pack, *, again: bool = False) -> None:
        self.ingest.take(TOPIC, write_pack(BOX, pack), pack.last, False, pack, again=again)

    def settle(self) -> None:
        until_done(self.ingest.settle)

    def tend(self) -> None:
        until_done(self.ingest.catch_up)
        until_done(self.ingest.tend)

    def stand_still(self) -> None:
        with writing(self.book.engine) as connection:
            connection.execute(update(holder).where(holder.c.id == self.leases.number).values(until_us=1))

    def close(self) -> None:
        self.book.close()
        self.trace.close()


def pair(folder: Path) -> list[One]:
    shutil.copy(empty_book(), folder / "book.db")
    return [One(folder, "first"), One(folder, "second")]


def settled(both: list[One]) -> None:
    for one in both:
        one.before = one.between = lambda: None
        one.settle()
    for one in both:
        one.tend()


events = st.lists(
    st.tuples(
        st.integers(0, 1),  # who gets the pack
        st.sampled_from(["", "settle", "settle", "sleep", "tend", "sleep before", "sleep within", "die within"]),
    ),
    min_size=24,
    max_size=24,
)


@given(deliveries(), events)
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_facts_are_those_of_one_collector_whoever_gets_what_and_whoever_stands_still(delivery, happens):
    whole, packs, _, _ = delivery
    with memory_folder() as name:
        both = pair(Path(name))
        try:
            for pack, (who, what) in zip(packs, happens * 2, strict=False):
                one, other = both[who], both[1 - who]
                one.take(pack)
                if what == "sleep":
                    one.stand_still()
                elif what == "tend":
                    other.tend()
                elif what == "settle":
                    one.settle()
                elif what:
                    dead = within(one, other, what)
                    if dead:
                        # The broker sends again what was not acknowledged; to the same session, which another serves.
                        waiting = one.ingest._group.tokens
                        one.close()
                        both[who] = one = One(Path(name), f"after {what} {len(waiting)}")
                        for old in waiting:
                            other.take(old, again=True)
            settled(both)
            book = both[0].book
            assert book.facts("heron", 0, 2**62) == derive("heron", whole)
            assert both[0].trace.read("heron", 0, 2**62).same(whole)
            assert book.dirty_saws() == []
            assert book.now("heron").at == whole.last
        finally:
            for one in both:
                one.close()


def within(one: One, other: One, what: str) -> bool:
    """It stands still in the middle of its work, and the other takes over; then it wakes, or is killed."""

    def sleep() -> None:
        one.before = lambda: None
        one.stand_still()
        other.settle()
        other.tend()
        if what == "die within":
            one.between = die

    def die() -> None:
        raise DeadError

    if what == "sleep within":
        one.between = lambda: (setattr(one, "between", lambda: None), sleep())
    else:
        one.before = sleep
    try:
        one.settle()
    except DeadError:
        return True
    return False


def test_a_saw_whose_messages_reach_another_for_good_is_given_to_it(tmp_path, monkeypatch):
    monkeypatch.setattr("collector.ingest.tenure._ASK_SECONDS", 0)
    first, second = pair(tmp_path)
    packs = [motor([(1, 3.2)], start=1_772_438_400 * SECOND + n * SECOND) for n in range(4)]
    first.take(packs[0])
    first.settle()
    second.take(packs[1])
    second.settle()
    assert second.ingest.counts.forwarded == 10
    first.tend()
    assert second.book.now("heron").at == packs[1].last
    assert first.leases.held() == {"saw:heron"}
    monkeypatch.setattr("collector.ingest.tenure.DESERTED_SECONDS", 0)
    second.take(packs[2])
    second.settle()
    first.tend()
    assert first.leases.held() == set()
    second.take(packs[3])
    second.settle()
    assert second.leases.held() == {"saw:heron"}
    assert second.book.now("heron").at == packs[3].last
    first.close()
    second.close()
