"""What only one process at a time may do: use a session of the broker, and tell people."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from api.posting import Posting
from api.watch import Watch
from collector.book import Book, SawEntry
from collector.book.leases import Leases
from collector.broker import Broker
from collector.ingest import Ingest
from collector.mqtt import Collector
from collector.orphans import Orphans, given_up
from collector.trace.sqlite import SqliteTrace
from tests.fleet.test_two_collectors import ThresholdDetector
from tests.ingest.conftest import motor
from tests.ingest.publisher import Publisher
from tests.ingest.test_mosquitto import derived, packs_of
from tests.ingest.threshold import derive
from tests.tending.shop import Shop
from tests.waiting import until


@pytest.mark.real
def test_a_second_collector_of_the_same_name_waits_and_follows(tmp_path, mosquitto):
    trace = motor([(4, 0), (6, 3.2), (5, 7), (4, 3.2), (4, 0)])
    packs = packs_of(trace)
    book, store = Book(f"sqlite:///{tmp_path}/book.db"), SqliteTrace(tmp_path / "trace.db")
    both = []
    for name in ("first", "second"):
        leases = Leases(book.engine, name)
        ingest = Ingest(store, book, [SawEntry("heron")], None, lambda: 0, make=ThresholdDetector, leases=leases)
        both.append((leases, Collector(ingest, "tern-point", Broker(port=mosquitto.port), leases=leases)))
    (first, one), (second, two) = both
    one.start()
    until(lambda: one.health().connected)
    two.start()
    until(lambda: "waiting to follow" in (two.health().broker_error or ""))
    with Publisher(mosquitto) as box:
        box.publish(packs[:10])
        until(lambda: derived(book) is not None)
        one.stop()
        first.close()
        box.publish(packs[10:])
    until(lambda: derived(book) == trace.last)
    assert one.health().connections == two.health().connections == 1
    assert book.facts("heron", 0, 2**62) == derive("heron", trace)
    two.stop()
    second.close()
    store.close()
    book.close()


@pytest.mark.real
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_session_that_was_ended_at_the_broker_is_served_no_more(tmp_path, mosquitto, protocol):
    trace = motor([(4, 0), (6, 3.2), (5, 7), (4, 3.2), (4, 0)])
    book, store = Book(f"sqlite:///{tmp_path}/book.db"), SqliteTrace(tmp_path / "trace.db")
    own = Broker(port=mosquitto.port, client_id="own", protocol=protocol)
    other = replace(own, client_id="given-up")
    leases = Leases(book.engine, "own")
    ingest = Ingest(store, book, [SawEntry("heron")], None, lambda: 0, make=ThresholdDetector, leases=leases)
    gone_leases = Leases(book.engine, "given-up")
    Orphans(ingest, "tern-point", other, gone_leases).look()
    gone = Collector(ingest, "tern-point", other, leases=gone_leases)
    gone.start()
    until(lambda: gone.health().connected)
    gone.stop()
    gone_leases.close()
    with Publisher(mosquitto) as box:
        box.publish(packs_of(trace))
    looking = Orphans(ingest, "tern-point", own, leases)
    assert given_up(leases, "tern-point") == ["given-up"]
    looking.look()
    until(lambda: derived(book) == trace.last)
    assert looking.served == ["given-up"]
    # While nobody is connected, somebody ends it.
    looking._served["given-up"].stop()
    with closing_session(mosquitto, "given-up"):
        pass
    until(lambda: (looking.look(), given_up(leases, "tern-point") == [])[1])
    looking.look()
    assert looking.served == []
    leases.close()
    store.close()
    book.close()


@contextmanager
def closing_session(broker, name):
    """What ``mosquitto_sub -i NAME -E`` does: a connection with a clean start, which ends the session of that name."""
    client = Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=True)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    until(client.is_connected)
    yield
    client.disconnect()
    client.loop_stop()


def test_of_two_watches_one_works_and_the_other_follows(tmp_path, monkeypatch):
    looks: list[Watch] = []
    monkeypatch.setattr(Watch, "look", lambda watch: looks.append(watch))
    monkeypatch.setattr(Posting, "post", lambda _posting: 0)
    shop = Shop(tmp_path)
    leases = [Leases(shop.book.engine, name) for name in ("first", "second")]
    first, second = map(shop.new_watch, leases)
    first.start(0.02)
    until(lambda: len(looks) > 3)
    second.start(0.02)
    seen = len(looks)
    until(lambda: len(looks) > seen + 5)
    assert set(looks) == {first}
    first.stop()
    leases[0].close()
    until(lambda: second in looks)
    second.stop()
    shop.close()
