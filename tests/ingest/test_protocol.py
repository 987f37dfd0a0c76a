"""A broker that speaks only MQTT 3.1.1, such as the demo's, is found out and spoken to."""

from __future__ import annotations

import logging

import pytest

from collector.broker import Broker
from collector.mqtt import Collector
from simulator.embedded_broker import EmbeddedBroker
from tests.conftest import free_port
from tests.ingest.conftest import motor
from tests.ingest.publisher import Publisher
from tests.ingest.test_mosquitto import derived, packs_of
from tests.ingest.threshold import derive
from tests.waiting import until

pytestmark = pytest.mark.real


def test_a_broker_of_the_older_version_is_spoken_to_in_it(shop):
    trace = motor([(3, 0), (3, 3.2), (3, 0)])
    broker = EmbeddedBroker("127.0.0.1", free_port())
    broker.start()
    collector = Collector(shop.ingest, "tern-point", Broker(port=broker.port))
    collector.start()
    try:
        until(lambda: collector.health().connected)
        with Publisher(broker) as box:
            box.publish(packs_of(trace))
        until(lambda: derived(shop.book) == trace.last)
        assert shop.facts() == derive("heron", trace)
    finally:
        collector.stop()
        broker.stop()


def test_a_broker_that_is_not_there_is_waited_for_and_named(shop, caplog):
    caplog.set_level(logging.INFO, logger="collector")
    port = free_port()
    collector = Collector(shop.ingest, "tern-point", Broker(port=port))
    collector.start()
    until(lambda: "trying again in" in caplog.text)
    assert f"broker 127.0.0.1:{port}: cannot be reached" in caplog.text
    assert "cannot be reached" in collector.health().broker_error
    collector.stop()
    assert not collector.health().running
