"""Several `kerfbook collect` on real servers; some are killed, or stand still, under load: the facts are those of one."""

from __future__ import annotations

import signal
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.fleet.collecting import Collecting, booked, expected, packs
from tests.ingest.publisher import Publisher
from tests.waiting import until

pytestmark = pytest.mark.real

SAWS = ("heron", "plover", "kite")
PACKS, RATE = 240, 240.0


@pytest.mark.parametrize("what", [signal.SIGKILL, signal.SIGSTOP], ids=["killed", "stands still"])
def test_the_facts_are_those_of_one_collector(tmp_path, broker, stores, what):
    lines, book = stores
    sent = {saw: packs(saw, 8000, 8000 + PACKS, n) for n, saw in enumerate(SAWS)}
    flow = [(f"kerfbook/tern-point/{saw}/readings", sent[saw][i]) for i in range(PACKS) for saw in SAWS]
    wanted = {saw: expected(saw, sent[saw]) for saw in SAWS}
    first, second = (
        Collecting(tmp_path, broker, name, SAWS, lines, 'share = "collectors"').start() for name in ("one", "two")
    )
    try:
        with Publisher(broker) as box:
            load = threading.Thread(target=lambda: box.publish(flow, rate=RATE))
            load.start()
            time.sleep(2)
            gone = first.signal(what)
            until(lambda: "serving its session" in second.log)
            assert time.monotonic() - gone < 30
            load.join()
            until(lambda: all(booked(book, saw) == wanted[saw] for saw in SAWS) and not book.dirty_saws(), 90)
        if what == signal.SIGSTOP:
            first.signal(signal.SIGCONT)
            until(lambda: "stood still for too long" in first.log)
            until(lambda: not book.dirty_saws())
        else:
            first.start()  # and its session is its own again
        assert {saw: booked(book, saw) for saw in SAWS} == wanted
    finally:
        first.stop()
        second.stop()


def test_of_four_collectors_two_are_killed_at_once(tmp_path, broker, stores):
    lines, book = stores
    saws = [f"saw-{n}" for n in range(8)]
    sent = {saw: packs(saw, 8000, 8100, n) for n, saw in enumerate(saws)}
    flow = [(f"kerfbook/tern-point/{saw}/readings", sent[saw][i]) for i in range(100) for saw in saws]
    wanted = {saw: expected(saw, sent[saw]) for saw in saws}
    names = ("one", "two", "three", "four")
    four = [Collecting(tmp_path, broker, name, saws, lines, 'share = "collectors"') for name in names]
    dying, living = four[:2], four[2:]
    try:
        with ThreadPoolExecutor() as at_once:
            list(at_once.map(Collecting.start, four))
        with Publisher(broker) as box:
            load = threading.Thread(target=lambda: box.publish(flow, rate=200))
            load.start()
            time.sleep(2)
            gone = [one.signal(signal.SIGKILL) for one in dying]
            until(lambda: all(any(f"{one.name} is gone" in other.log for other in living) for one in dying))
            assert time.monotonic() - gone[0] < 30
            load.join()
            until(lambda: all(booked(book, saw) == wanted[saw] for saw in saws) and not book.dirty_saws(), 90)
    finally:
        with ThreadPoolExecutor() as at_once:
            list(at_once.map(Collecting.stop, four))
