"""The embedded broker keeps QoS 1 where the library alone would not, and comes and goes cleanly."""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from typing import TYPE_CHECKING, Any

import paho.mqtt.client as mqtt
import pytest
from amqtt.broker import Broker
from paho.mqtt.enums import CallbackAPIVersion

from simulator.difficulties import SCENARIOS
from simulator.embedded_broker import EmbeddedBroker, _Patient
from simulator.play import OFFLINE, ONLINE, BoxClient, deliveries, pace
from tests.conftest import free_port
from tests.waiting import until

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture
def broker() -> Iterator[EmbeddedBroker]:
    with EmbeddedBroker(port=0) as running:
        yield running


class Reader:
    """A collector's side: a persistent session with acknowledgement by hand."""

    def __init__(self, port: int, *, acknowledge: bool = True) -> None:
        self.messages: list[tuple[str, bytes]] = []
        self.acknowledge = acknowledge
        self.session_present: bool | None = None
        self._subscribed = threading.Event()
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id="reader",
            clean_session=False,
            manual_ack=True,
            reconnect_on_failure=False,
        )
        self.client.on_message = self._took
        self.client.on_connect = self._connected
        self.client.on_subscribe = lambda *_: self._subscribed.set()
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert self._subscribed.wait(60)

    def _connected(self, client: Any, _data: Any, flags: Any, _reason: Any, _props: Any) -> None:
        self.session_present = flags.session_present
        client.subscribe("kerfbook/#", 1)

    def _took(self, client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self.messages.append((message.topic, message.payload))
        if self.acknowledge:
            client.ack(message.mid, message.qos)

    def crash(self) -> None:
        """Lose the connection without a word."""
        sock = self.client.socket()
        assert sock is not None
        sock.shutdown(socket.SHUT_RDWR)
        self.client.loop_stop()
        sock.close()

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


PLAYED = SCENARIOS["ordinary"](4)
ALL = list(deliveries(PLAYED))
PACKS = ALL[:120]


def box(port: int) -> BoxClient:
    client = BoxClient("tern-point", PLAYED.saw, "127.0.0.1", port)
    client.start()
    return client


def readings(reader: Reader) -> list[bytes]:
    return [payload for topic, payload in reader.messages if topic.endswith("/readings")]


def test_every_pack_arrives_once_and_in_order(broker: EmbeddedBroker) -> None:
    reader, sender = Reader(broker.port), box(broker.port)
    pace(PACKS, sender.send, speed=float("inf"))
    assert sender.settle(60)
    assert until(lambda: len(readings(reader)) >= len(PACKS))
    assert readings(reader) == [d.payload() for d in PACKS]
    sender.stop()
    reader.leave()


def test_a_reader_that_comes_back_gets_what_it_missed_and_what_it_had_not_acknowledged(broker: EmbeddedBroker) -> None:
    reader, sender = Reader(broker.port, acknowledge=False), box(broker.port)
    pace(PACKS[:40], sender.send, speed=float("inf"))
    assert until(lambda: len(readings(reader)) >= 40)
    reader.crash()
    time.sleep(1.3)  # the library forgets an anonymous client's session within a second
    pace(PACKS[40:80], sender.send, speed=float("inf"))
    assert sender.settle(60)
    again = Reader(broker.port)
    assert again.session_present
    assert until(lambda: set(readings(again)) >= {d.payload() for d in PACKS[:80]})
    sender.stop()
    again.leave()


def test_nothing_is_lost_when_the_sender_leaves_at_once(broker: EmbeddedBroker) -> None:
    reader, sender = Reader(broker.port), box(broker.port)
    pace(ALL, sender.send, speed=float("inf"))
    sender.settle(60)
    sender.stop()
    assert until(lambda: len(readings(reader)) >= len(ALL))
    reader.leave()


def test_a_box_that_catches_up_sends_more_than_may_be_on_the_way_at_once_without_being_asked(
    broker: EmbeddedBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("simulator.play._IN_FLIGHT", 50)
    reader = Reader(broker.port)
    sender = BoxClient("tern-point", PLAYED.saw, "127.0.0.1", broker.port)
    pace(PACKS, sender.send, speed=float("inf"))  # kept: it is not connected yet
    sender.start()
    assert until(lambda: len(readings(reader)) >= len(PACKS))
    assert readings(reader) == [d.payload() for d in PACKS]
    sender.stop()
    reader.leave()


def test_the_last_will_tells_of_a_box_that_died_and_is_kept_for_newcomers(broker: EmbeddedBroker) -> None:
    sender = box(broker.port)
    assert sender.settle(60)
    reader = Reader(broker.port)
    assert until(lambda: ("kerfbook/tern-point/heron/status", ONLINE) in reader.messages)
    sock = sender._client.socket()
    assert sock is not None
    sender._client._reconnect_on_failure = False
    sock.shutdown(socket.SHUT_RDWR)
    assert until(lambda: ("kerfbook/tern-point/heron/status", OFFLINE) in reader.messages)
    sender._client.loop_stop()
    sock.close()
    reader.leave()


def test_a_box_keeps_its_packs_while_the_broker_is_away() -> None:
    port = free_port()
    broker = EmbeddedBroker(port=port)
    broker.start()
    sender = box(port)
    assert until(sender._client.is_connected)
    broker.stop()
    assert until(lambda: not sender._client.is_connected())
    pace(PACKS, sender.send, speed=float("inf"))
    assert not sender.settle(0.1)
    again = EmbeddedBroker(port=port)
    again.start()
    reader = Reader(port)
    assert until(lambda: set(readings(reader)) >= {d.payload() for d in PACKS})
    assert sender.settle(60)
    sender.stop()
    reader.leave()
    again.stop()


def test_a_connection_that_reads_on_does_not_keep_the_broker_from_stopping(
    broker: EmbeddedBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    stop = Broker._stop_handler

    async def reads_on(self: Broker, handler: Any) -> None:
        """As where the reader's cancellation was swallowed: it ends with its connection alone."""
        while not handler.reader._reader.at_eof():
            await asyncio.sleep(0.01)
        await stop(self, handler)

    sender = box(broker.port)
    pace(PACKS[:1], sender.send, speed=float("inf"))
    assert sender.settle(60)
    monkeypatch.setattr(Broker, "_stop_handler", reads_on)
    thread = broker._thread
    assert thread is not None
    broker.stop(60)
    assert not thread.is_alive()
    assert until(lambda: not sender._client.is_connected())
    sender.stop()


def test_it_sends_again_what_a_slow_reader_has_not_acknowledged_in_time() -> None:
    class Slow:
        """Gives up twice before the reader acknowledges, as the library's handler does after five seconds."""

        calls = 0

        async def mqtt_publish(self, *_: Any, **__: Any) -> None:
            self.calls += 1
            if self.calls < 3:
                raise TimeoutError

    class Connected:
        class transitions:  # noqa: N801
            state = "connected"

    slow = Slow()
    asyncio.run(_Patient(slow, Connected()).mqtt_publish("t", b"", 1, retain=False))
    assert slow.calls == 3


def test_a_port_that_is_taken_is_named(broker: EmbeddedBroker) -> None:
    second = EmbeddedBroker(port=broker.port)
    with pytest.raises(OSError, match=str(broker.port)):
        second.start()


def test_it_can_be_started_again_and_stopping_twice_is_no_error() -> None:
    broker = EmbeddedBroker(port=free_port())
    for _ in range(3):
        broker.start()
        Reader(broker.port).leave()
        broker.stop()
        broker.stop()
