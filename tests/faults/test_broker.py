"""Broker and network fail: what a box was acknowledged arrives, what it was not it sends again, and nothing counts twice."""

from __future__ import annotations

import random
import time
from dataclasses import replace

import pytest

from collector.broker import Broker
from collector.facts import SECOND
from collector.mqtt import Collector
from collector.wire.pack import write_pack
from simulator.play import BoxClient, Delivery
from simulator.shop import Saw
from tests.dashboard.running import SITE, box_of
from tests.faults.clock import Clock
from tests.faults.scene import Scene, topic, work
from tests.faults.wire import Wire
from tests.ingest.conftest import BOX, motor
from tests.ingest.publisher import Publisher
from tests.ingest.threshold import derive
from tests.waiting import until

pytestmark = pytest.mark.real


class Far:
    """Where the collector thinks the broker is."""

    def __init__(self, wire: Wire) -> None:
        self.host, self.port = wire.host, wire.port


def test_the_broker_restarts_under_load(tmp_path, mosquitto):
    scene = Scene(tmp_path, mosquitto)
    with scene.house:
        scene.met()
        flow = [*scene.say("heron", work(3)), *scene.say("plover", work(3, seed=2))]
        third = len(flow) // 3
        for n in range(3):
            with Publisher(mosquitto) as box:
                box.publish(flow[n * third : (n + 1) * third if n < 2 else None])
            mosquitto.restart()
        scene.all_is_well()


def test_a_broker_that_stays_away_is_told_after_two_minutes_and_the_alert_is_withdrawn_when_it_is_back(
    tmp_path, mosquitto
):
    """The minutes are of the process's clock, which is put forward: 2 until it is told, 10 until it is believed over."""
    clock = Clock(tmp_path)
    scene = Scene(tmp_path, mosquitto, env=clock.env)
    with scene.house:
        scene.met()
        mosquitto.stop()
        assert "broker" in until(scene.house.ill)
        noted = until(lambda: scene.troubles("broker-away"))
        assert [one.ended_us for one in noted] == [None]
        clock.shift(130)
        alert = scene.told("broker-away")
        assert alert.returned_us is None
        assert f":{mosquitto.port}" in alert.detail["said"]
        mosquitto.start()
        until(lambda: not scene.house.ill())
        assert scene.told("broker-away").returned_us is None  # it may go again in a moment
        clock.shift(130 + 620)
        back = until(lambda: (now := scene.told("broker-away")).returned_us and now)
        assert back.id == alert.id
        (noted,) = scene.troubles("broker-away")
        assert back.returned_us == noted.ended_us


def test_while_the_broker_is_gone_for_an_hour_boxes_keep_what_they_measure(tmp_path, mosquitto):
    """The hour is of the data's own time: the boxes' packs of an hour are there when the broker is back."""
    scene = Scene(tmp_path, mosquitto)
    saw = replace(Saw("heron"), box_urn=box_of("heron"))
    hour = work(60, ago_s=5)
    assert hour.last - hour.first > 3600 * SECOND
    with scene.house:
        scene.met()
        scene.said["heron"].append(hour)
        box = BoxClient(SITE, saw, mosquitto.host, mosquitto.port, form="cbor")
        box.start()
        with scene.book() as book:
            until(lambda: book.box("heron").online)
        mosquitto.stop()  # in order: one that is killed forgets that the collector has subscribed
        for at in range(hour.first, hour.last + 1, SECOND):
            if len(part := hour.between(at, at + SECOND)):
                box.send(Delivery(at + SECOND, saw, part))
        mosquitto.start()
        assert box.settle(60)
        box.stop()
        scene.all_is_well()


def test_the_network_is_cut_in_the_middle_of_messages_between_broker_and_collector(tmp_path, mosquitto):
    rng = random.Random(3)
    wire = Wire(mosquitto.port)
    scene = Scene(tmp_path, Far(wire))
    with scene.house:
        scene.broker = mosquitto
        scene.met()
        flow = [*scene.say("heron", work(4)), *scene.say("plover", work(4, seed=2))]
        for n in range(4):
            wire.cut_after(down=rng.randint(2_000, 20_000))  # a pack is some 250 bytes
            with Publisher(mosquitto) as box:
                box.publish(flow[n::4])
            until(lambda n=n: wire.cuts > n)
        scene.all_is_well()
    wire.close()


def test_the_network_is_cut_in_the_middle_of_messages_between_box_and_broker(tmp_path, mosquitto):
    rng = random.Random(4)
    wire = Wire(mosquitto.port)
    scene = Scene(tmp_path, mosquitto)
    saw = replace(Saw("heron"), box_urn=box_of("heron"))
    with scene.house:
        scene.met()
        run = work(4, ago_s=5)
        scene.said["heron"].append(run)
        box = BoxClient(SITE, saw, wire.host, wire.port, form="cbor")
        box.start()
        edges = range(run.first, run.last + 1, SECOND)
        for n, at in enumerate(edges):
            if n % (len(edges) // 4) == 0:
                wire.cut_after(up=rng.randint(300, 3_000))
            if len(part := run.between(at, at + SECOND)):
                box.send(Delivery(at + SECOND, saw, part))
            time.sleep(0.001)
        assert box.settle(60)
        box.stop()
        assert wire.cuts >= 1
        scene.all_is_well()
    wire.close()


def test_a_network_that_is_silent_without_a_word_is_noticed(shop, mosquitto):
    """After the keepalive, and as long again for an answer; two seconds here and a minute in life."""
    wire = Wire(mosquitto.port)
    collector = Collector(shop.ingest, SITE, Broker(port=wire.port, keepalive=2))
    collector.start()
    until(lambda: collector.health().connected)
    day = motor([(3, 0), (3, 3.2), (40, 0)])
    before = collector.health().connections  # more than one where the machine itself was silent for so long
    wire.freeze()
    with Publisher(mosquitto) as box:
        box.publish([(topic("heron"), write_pack(BOX, day))])
    until(lambda: collector.health().connections > before)
    until(lambda: (now := shop.book.now("heron")) and now.at == day.last)
    collector.stop()
    wire.close()
    assert shop.facts() == derive("heron", day)
