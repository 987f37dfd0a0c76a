"""kill -9 of the collector at random moments under load: what was published is in the book, once."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from typing import TYPE_CHECKING, NamedTuple

from collector.book import Book
from collector.trace.sqlite import SqliteTrace
from collector.wire.pack import write_pack
from tests.ingest.conftest import BOX, T0, motor
from tests.ingest.publisher import Publisher
from tests.ingest.threshold import derive
from tests.waiting import until

if TYPE_CHECKING:
    from pathlib import Path

    from tests.conftest import Mosquitto

SECOND = 1_000_000
TOPIC = "kerfbook/tern-point/heron/readings"


class Toll(NamedTuple):
    """Kills, published readings, and how many of them and of their facts are missing or too many."""

    kills: int
    readings: int
    facts: int
    readings_lost: int
    facts_wrong: int


def kill_nine(folder: Path, broker: Mosquitto, kills: int, seed: int = 7) -> Toll:
    """Publish a day in as many parts as there are kills; each kill comes up to 0.3 s after the collector connected."""
    rng = random.Random(seed)
    day = motor([*((rng.choice([4, 9]), rng.choice([0, 3.2, 3.2, 7])) for _ in range(16 * kills)), (40, 0)])
    edges = range(day.first, day.last + 1, SECOND)
    packs = [(TOPIC, write_pack(BOX, day.between(edge, edge + SECOND), form="cbor")) for edge in edges]
    part = -(-len(packs) // kills)
    book, store = Book(f"sqlite:///{folder}/book.db"), SqliteTrace(folder / "trace.db")
    log = folder / "child.log"
    log.touch()

    def start() -> subprocess.Popen[bytes]:
        with log.open("ab") as out:
            return subprocess.Popen(
                [sys.executable, "-m", "tests.ingest.child", str(folder), str(broker.port), "3.1.1"],
                stdout=out,
                stderr=out,
                env=os.environ | {"PYTHONPATH": ".", "KERFBOOK_TEST_DETECTOR": "threshold"},
            )

    child = start()
    try:
        for n in range(kills):
            until(lambda n=n: log.read_text().count("connected with MQTT") == n + 1)
            with Publisher(broker) as box:
                box.publish(packs[n * part : (n + 1) * part])
                try:
                    child.wait(rng.uniform(0.0, 0.3))
                except subprocess.TimeoutExpired:
                    child.send_signal(signal.SIGKILL)
            assert child.wait() == -signal.SIGKILL, log.read_text()[-2000:]
            child = start()
        until(lambda: (now := book.now("heron")) and now.at == day.last and not book.dirty("heron"), 120)
        found, wanted = book.facts("heron", 0, 2**62), derive("heron", day)
        kept = store.read("heron", T0, 2**62)
        wrong = len({*map(repr, found)} ^ {*map(repr, wanted)}) + abs(len(found) - len(wanted))
        return Toll(kills, len(day), len(wanted), len(day) - len(kept), wrong)
    finally:
        child.kill()
        child.wait()
        book.close()
        store.close()
