"""A simulated day through everything: the book equals ``kerfbook replay`` of the same packs, whatever happened."""

from __future__ import annotations

import datetime as dt
import os
import random
import signal
import subprocess
import sys
import time

import pytest
from sqlalchemy import text

from collector.book import Book
from collector.book.habits import HabitHistory
from collector.detect.detector import Detector
from collector.facts import SECOND, as_record
from collector.replay import replay
from collector.trace.sqlite import SqliteTrace
from simulator.play import deliveries
from simulator.shop import Saw, simulate_day
from tests.ingest.conftest import Shop
from tests.ingest.learned import as_learned
from tests.ingest.publisher import Publisher
from tests.waiting import until

READINGS = "kerfbook/tern-point/heron/readings"
MONDAY = dt.date(2026, 3, 2)
EVENING = 1_772_496_000 * SECOND  # 2026-03-03T00:00:00Z: all of the day is past


@pytest.fixture(scope="module")
def day() -> list[bytes]:
    """All packs of a day, in order of sending."""
    return [delivery.payload("json") for delivery in deliveries(simulate_day(Saw("heron"), MONDAY, 11))]


def booked(book) -> list[dict]:
    return [as_record(fact) for fact in book.facts("heron", 0, 2**62)]


@pytest.mark.parametrize("seed", range(3))
def test_chunks_order_repetition_and_restarts_change_no_fact(tmp_path, day, seed):
    rng = random.Random(seed)
    start = rng.randrange(4000, 20_000)
    part = day[start : start + 1500]
    delivered, waiting = [], []
    for pack in part:
        roll = rng.random()
        if roll < 0.02 and len(waiting) < 200:
            waiting.append(pack)
            continue
        delivered.append(pack)
        if roll > 0.995:
            delivered += rng.choices(part, k=3)
        if roll > 0.99:
            rng.shuffle(waiting)
            delivered += waiting
            waiting = []
    delivered += waiting + part[-300:]
    shop = Shop(tmp_path, Detector)
    try:
        at = 0
        while at < len(delivered):
            size = rng.choice([2, 7, 40, 300])
            for n, pack in enumerate(delivered[at : at + size]):
                shop.ingest.take(READINGS, pack, EVENING, False, n)
            shop.ingest.settle()
            at += size
            if rng.random() < 0.02:
                shop.die()
        assert shop.ingest.counts.refused == 0
        assert booked(shop.book) == list(replay(part, "heron"))
    finally:
        shop.close()


@pytest.mark.parametrize(
    "state", [b"\x00", b"kerfbook detector 1\n", Detector("heron").dump()[:-9]], ids=["other", "older", "torn"]
)
def test_a_detector_state_that_cannot_be_read_is_derived_again(tmp_path, day, state):
    shop = Shop(tmp_path, Detector)
    try:
        for n, pack in enumerate(day[7000:9000]):
            shop.ingest.take(READINGS, pack, EVENING, False, n)
            if n % 100 == 0:
                shop.ingest.settle()
        shop.ingest.settle()
        with shop.book._engine.begin() as connection:
            connection.execute(text("UPDATE checkpoint SET state = :state WHERE state IS NOT NULL"), {"state": state})
        shop.die()
        for n, pack in enumerate(day[9000:9200]):
            shop.ingest.take(READINGS, pack, EVENING, False, n)
        shop.ingest.settle()
        facts = booked(shop.book)
        assert len(facts) > 10
        assert facts == list(replay(day[7000:9200], "heron"))
    finally:
        shop.close()


@pytest.mark.real
def test_a_day_with_kill_9_at_ten_moments_is_the_day_of_replay(tmp_path, mosquitto, day):
    rng = random.Random(7)
    book = Book(f"sqlite:///{tmp_path}/book.db")
    store = SqliteTrace(tmp_path / "trace.db")
    command = [sys.executable, "-m", "tests.ingest.child", str(tmp_path), str(mosquitto.port)]
    last = max(delivery.trace.last for delivery in deliveries(simulate_day(Saw("heron"), MONDAY, 11)))

    def connections() -> int:
        return (tmp_path / "child.log").read_text().count("connected with MQTT")

    def start() -> subprocess.Popen[bytes]:
        with (tmp_path / "child.log").open("ab") as log:
            return subprocess.Popen(command, stdout=log, stderr=log, env=os.environ | {"PYTHONPATH": "."})

    child = start()
    tenth = len(day) // 10 + 1
    moments = []
    try:
        with Publisher(mosquitto) as box:
            for i in range(10):
                until(lambda i=i: connections() == i + 1)
                box.publish([(READINGS, pack) for pack in day[i * tenth : (i + 1) * tenth]])
                time.sleep(rng.uniform(0.0, 0.15))
                child.send_signal(signal.SIGKILL)
                child.wait()
                moments.append((store.last("heron") or 0) // SECOND)
                child = start()
        until(lambda: (now := book.now("heron")) is not None and now.at == last and not book.dirty("heron"))
        assert len(set(moments)) > 5, "it was killed while it worked"
        # Which habits it knew when is told by the book; here that they were learned, and that the facts are theirs.
        readings = store.read("heron", 0, 2**62)
        assert HabitHistory(book).newest("heron").habits.brake_seen is not None
        until(lambda: not book.dirty("heron") and book.facts("heron", 0, 2**62) == as_learned(book, "heron", readings))
        assert booked(book)[-1] == list(replay(day, "heron"))[-1]
    finally:
        child.kill()
        child.wait()
        book.close()
        store.close()
