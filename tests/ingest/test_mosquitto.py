"""Promise 1, through a real broker: nothing lost, nothing counted twice."""

from __future__ import annotations

import os
import random
import re
import signal
import subprocess
import sys
import time

import pytest

from collector.book import Book
from collector.broker import Broker
from collector.facts import SECOND
from collector.mqtt import Collector
from collector.trace.sqlite import SqliteTrace
from collector.wire.pack import write_pack
from tests.conftest import Mosquitto
from tests.ingest.conftest import BOX, T0, motor
from tests.ingest.publisher import Publisher
from tests.ingest.threshold import derive
from tests.waiting import until

pytestmark = pytest.mark.real

READINGS, STATUS = "kerfbook/tern-point/heron/readings", "kerfbook/tern-point/heron/status"


def packs_of(trace, seconds: int = 1) -> list[tuple[str, bytes]]:
    """The trace in packs of a second."""
    edges = range(trace.first, trace.last + 1, seconds * SECOND)
    parts = [trace.between(edge, edge + seconds * SECOND) for edge in edges]
    return [(READINGS, write_pack(BOX, part, form="cbor")) for part in parts if len(part)]


def derived(book: Book) -> int | None:
    """The newest reading that all facts follow from."""
    now = book.now("heron")
    return None if now is None or book.dirty("heron") else now.at


@pytest.fixture(params=["5", "3.1.1"])
def collector(shop, mosquitto, request):
    collector = Collector(shop.ingest, "tern-point", Broker(port=mosquitto.port, protocol=request.param))
    collector.start()
    until(lambda: collector.health().connected)
    yield collector
    collector.stop()
    assert not collector.health().running


def test_a_published_pack_reaches_the_book(shop, mosquitto, collector):
    trace = motor([(2, 0), (3, 3.2), (4, 7), (2, 3.2), (3, 0)])
    with Publisher(mosquitto) as box:
        box.publish(packs_of(trace))
    until(lambda: derived(shop.book) == trace.last)
    assert shop.facts() == derive("heron", trace)
    assert shop.book.now("heron").at == trace.last
    assert shop.book.box("heron").urn == BOX


def test_a_message_is_acknowledged_only_after_its_commit(shop, mosquitto):
    trace = motor([(3, 0), (3, 3.2), (3, 0)])
    settle = shop.ingest.settle

    def die_instead():
        raise OSError("the disk is gone")

    collector = Collector(shop.ingest, "tern-point", Broker(port=mosquitto.port))
    collector.start()
    until(lambda: collector.health().connected)
    shop.ingest.settle = die_instead
    with Publisher(mosquitto) as box:
        box.publish(packs_of(trace))
    until(lambda: collector.health().store_error == "OSError: the disk is gone")
    collector.stop()
    assert shop.facts() == []
    shop.ingest.settle = settle
    shop.open()
    collector = Collector(shop.ingest, "tern-point", Broker(port=mosquitto.port))
    collector.start()
    until(lambda: derived(shop.book) == trace.last)
    collector.stop()
    assert shop.facts() == derive("heron", trace)


def test_a_store_that_comes_back_is_used_again(shop, mosquitto, collector):
    trace = motor([(3, 0), (3, 3.2), (3, 0)])
    commit, failures = shop.book.commit, iter([OSError("full"), OSError("full")])

    def fail_twice(*args, **more):
        for error in failures:
            raise error
        commit(*args, **more)

    shop.book.commit = fail_twice
    with Publisher(mosquitto) as box:
        box.publish(packs_of(trace))
        until(lambda: derived(shop.book) == trace.last)
    assert shop.facts() == derive("heron", trace)
    assert collector.health().store_error is None


def test_what_is_refused_blocks_nothing_and_can_be_read(shop, mosquitto, collector):
    trace = motor([(3, 0), (3, 3.2), (3, 0)])
    good = packs_of(trace)
    bad = [
        (READINGS, b"not json"),
        (READINGS, b"[" * 100_000),
        (READINGS, b"\x00" * 2_000_000),
        ("kerfbook/tern-point/stranger/readings", good[0][1]),
        ("kerfbook/tern-point/UPPER/readings", good[0][1]),
        (STATUS, b"perhaps"),
        (READINGS, write_pack(BOX, motor([(1, 0)], start=int(time.time() * SECOND) + 3600 * SECOND))),
    ]
    with Publisher(mosquitto) as box:
        box.publish([*good[:3], *bad, *good[3:]])
        until(lambda: collector.health().messages == len(good) + len(bad))
        until(lambda: collector.health().queued == 0)
    assert shop.facts() == derive("heron", trace)
    codes = {code for _, code in shop.book.refusal_counts()}
    assert {"unknown-saw", "bad-topic", "bad-status", "time-out-of-range", "too-large"} <= codes
    assert sum(shop.book.refusal_counts().values()) == len(bad)
    newest = shop.book.refusals(limit=1)[0]
    assert "10 minutes" in newest.reason
    assert len(newest.excerpt) <= 256


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_all_that_came_is_acknowledged_in_its_order_also_what_was_refused(shop, tmp_path, protocol):
    """[MQTT-4.3.2-2], [MQTT-4.5.0-2], [MQTT-4.6.0-2] of MQTT 3.1.1, read off the broker's own log."""
    (tmp_path / "broker").mkdir()
    broker = Mosquitto(tmp_path / "broker", "log_type all")
    broker.start()
    collector = Collector(shop.ingest, "tern-point", Broker(port=broker.port, protocol=protocol))
    collector.start()
    until(lambda: collector.health().connected)
    mixed = packs_of(motor([(20, 0), (20, 3.2)]))
    for place in (3, 4, 17, 30):
        mixed.insert(place, (READINGS, b"not json"))
    with Publisher(broker) as box:
        box.publish(mixed)
        until(lambda: collector.health().messages == len(mixed) and collector.health().queued == 0)
    collector.stop()
    broker.stop()
    log = broker.log.read_text()
    sent = re.findall(r"Sending PUBLISH to kerfbook\S* \(d0, q1, r0, m(\d+)", log)
    acknowledged = re.findall(r"Received PUBACK from kerfbook\S* \(Mid: (\d+)", log)
    assert len(sent) == len(mixed)
    assert acknowledged == sent


def test_a_retained_pack_is_refused_as_such(shop, mosquitto):
    with Publisher(mosquitto) as box:
        box.publish(packs_of(motor([(1, 3)])), retain=True)
    collector = Collector(shop.ingest, "tern-point", Broker(port=mosquitto.port))
    collector.start()
    until(lambda: shop.book.refusal_counts().get(("heron", "retained")))
    collector.stop()
    assert shop.facts() == []


def test_a_box_that_comes_and_goes_is_noted(shop, mosquitto, collector):
    with Publisher(mosquitto) as box:
        box.publish([(STATUS, b'{"online": true}')], retain=True)
        until(lambda: shop.book.box("heron").online is True)
        box.publish([(STATUS, b'{"online": false}')], retain=True)
        until(lambda: shop.book.box("heron").online is False)


def test_the_broker_may_restart(shop, mosquitto, collector):
    trace = motor([(5, 0), (30, 3.2), (10, 0)])
    packs = packs_of(trace)
    with Publisher(mosquitto) as box:
        box.publish(packs[:20])
    mosquitto.restart()
    with Publisher(mosquitto) as box:
        box.publish(packs[20:])
    until(lambda: derived(shop.book) == trace.last)
    until(lambda: collector.health().queued == 0)
    assert shop.facts() == derive("heron", trace)
    assert collector.health().connections >= 2  # one more where it was there before the broker wholly was
    assert collector.health().broker_error is None


def test_messages_published_while_the_collector_is_away_wait_for_it(shop, mosquitto):
    trace = motor([(5, 0), (1500, 3.2), (10, 0)], step=0.5)
    broker = Broker(port=mosquitto.port)
    first = Collector(shop.ingest, "tern-point", broker)
    first.start()
    until(lambda: first.health().connected)
    first.stop()
    with Publisher(mosquitto) as box:
        box.publish(packs_of(trace))
    second = Collector(shop.ingest, "tern-point", broker)
    second.start()
    until(lambda: derived(shop.book) == trace.last)
    second.stop()
    assert shop.facts() == derive("heron", trace)


@pytest.mark.parametrize("protocol", ["3.1.1"])
def test_kill_9_at_ten_moments_under_load_loses_and_doubles_nothing(tmp_path, mosquitto, protocol):
    rng = random.Random(7)
    day = [(rng.choice([4, 9]), rng.choice([0, 3.2, 3.2, 7])) for _ in range(160)]
    trace = motor([*day, (40, 0)])
    book = Book(f"sqlite:///{tmp_path}/book.db")
    store = SqliteTrace(tmp_path / "trace.db")
    command = [sys.executable, "-m", "tests.ingest.child", str(tmp_path), str(mosquitto.port), protocol]

    def connections() -> int:
        return (tmp_path / "child.log").read_text().count("connected with MQTT")

    def start() -> subprocess.Popen[bytes]:
        with (tmp_path / "child.log").open("ab") as log:
            return subprocess.Popen(
                command,
                stdout=log,
                stderr=log,
                env=os.environ | {"PYTHONPATH": ".", "KERFBOOK_TEST_DETECTOR": "threshold"},
            )

    child = start()
    packs = packs_of(trace)
    tenth = len(packs) // 10
    try:
        with Publisher(mosquitto) as box:
            for i in range(10):
                until(lambda i=i: connections() == i + 1)
                box.publish(packs[i * tenth : (i + 1) * tenth if i < 9 else None])
                time.sleep(rng.uniform(0.0, 0.12))
                child.send_signal(signal.SIGKILL)
                child.wait()
                child = start()
        until(lambda: derived(book) == trace.last)
        assert store.read("heron", T0, 2**62).same(trace)
        assert book.facts("heron", 0, 2**62) == derive("heron", trace)
        assert book.dirty("heron") == []
    finally:
        child.kill()
        child.wait()
        book.close()
        store.close()
