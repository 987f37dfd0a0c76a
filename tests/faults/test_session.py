"""What MQTT 3.1.1 demands of a broker about sessions and QoS 1, and on which the collector relies: real Mosquitto does it."""

from __future__ import annotations

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.ingest.publisher import Publisher
from tests.waiting import until

pytestmark = pytest.mark.real

TOPIC = "kerfbook/tern-point/heron/readings"


class Subscriber:
    """A client that keeps its session and acknowledges what it is told to, and nothing else."""

    def __init__(self, broker) -> None:
        self.got: list[tuple[int, bytes, bool]] = []
        self.present: list[bool] = []
        self.client = Client(
            CallbackAPIVersion.VERSION2, client_id="one-collector", clean_session=False, manual_ack=True,
            reconnect_on_failure=False,
        )  # fmt: skip
        self.client.on_message = lambda _c, _d, m: self.got.append((m.mid, m.payload, m.dup))
        self.client.on_connect = lambda _c, _d, flags, _r, _p: self.present.append(flags.session_present)
        self.client.connect(broker.host, broker.port)
        self.client.subscribe(TOPIC, 1)
        self.client.loop_start()
        until(lambda: self.present)

    def drop(self) -> None:
        """The line is cut: no DISCONNECT."""
        self.client.loop_stop()
        self.client.socket().close()
        self.client._sock = None


def say(broker, *payloads: bytes) -> None:
    with Publisher(broker) as box:
        box.publish((TOPIC, payload) for payload in payloads)


def test_the_session_is_kept_and_what_was_published_meanwhile_is_stored(mosquitto):
    """[MQTT-3.1.2-4], [MQTT-3.1.2-5], [MQTT-4.1.0-1], [MQTT-4.5.0-1]"""
    first = Subscriber(mosquitto)
    until(lambda: first.client.is_connected())
    say(mosquitto, b"0")
    until(lambda: len(first.got) == 1)
    first.client.ack(first.got[0][0], 1)
    first.client.disconnect()
    first.client.loop_stop()
    say(mosquitto, b"1", b"2")
    mosquitto.restart()  # [MQTT-4.1.0-1]; what a failure does to it is left open there, a restart in order keeps it
    second = Subscriber(mosquitto)
    until(lambda: [payload for _, payload, _ in second.got] == [b"1", b"2"])
    assert second.present == [True]
    second.drop()


def test_what_was_not_acknowledged_comes_again_in_order_with_its_identifier_and_what_was_does_not(mosquitto):
    """[MQTT-4.3.2-1], [MQTT-4.4.0-1], [MQTT-3.3.1-1]; the order is 4.6.0-1, which 4.6.0-6 makes the broker's, too."""
    first = Subscriber(mosquitto)
    say(mosquitto, *(b"%d" % n for n in range(8)))
    until(lambda: len(first.got) == 8)
    for mid, _, dup in first.got[:3]:
        assert not dup
        first.client.ack(mid, 1)
    first.client.loop_misc()
    until(lambda: not first.client.want_write())
    first.drop()
    second = Subscriber(mosquitto)
    until(lambda: len(second.got) >= 5)
    assert [got[:2] for got in second.got] == [got[:2] for got in first.got[3:]]
    assert all(dup for _, _, dup in second.got)
    second.drop()


def test_nothing_is_sent_again_while_the_line_holds(mosquitto):
    """[MQTT-4.4.0-1] of MQTT 5 forbids it; 3.1.1 does not ask for it, and the collector may take its time."""
    waiting = Subscriber(mosquitto)
    say(mosquitto, b"0")
    until(lambda: waiting.got)
    say(mosquitto, b"1", b"2")
    until(lambda: len(waiting.got) == 3)
    assert [payload for _, payload, _ in waiting.got] == [b"0", b"1", b"2"]
    waiting.drop()


def test_an_identifier_that_was_acknowledged_means_another_message_afterwards(mosquitto):
    """[MQTT-4.3.2-1], [MQTT-4.3.2-2]"""
    client = Subscriber(mosquitto)
    seen: dict[int, set[bytes]] = {}
    say(mosquitto, *(b"%d" % n for n in range(50)))
    done = 0
    while done < 50:
        until(lambda: len(client.got) > done)  # noqa: B023
        mid, payload, dup = client.got[done]
        assert not dup
        seen.setdefault(mid, set()).add(payload)
        client.client.ack(mid, 1)
        done += 1
    assert len(set().union(*seen.values())) == 50
    client.drop()


def test_whoever_comes_under_the_same_name_gets_the_line_and_what_was_not_acknowledged(mosquitto):
    """[MQTT-3.1.4-2]"""
    first = Subscriber(mosquitto)
    say(mosquitto, b"0")
    until(lambda: first.got)
    second = Subscriber(mosquitto)
    until(lambda: not first.client.is_connected())
    assert second.present == [True]
    say(mosquitto, b"1")
    until(lambda: [payload for _, payload, _ in second.got] == [b"0", b"1"])
    assert [payload for _, payload, _ in first.got] == [b"0"]
    first.client.loop_stop()
    second.drop()


def test_a_will_is_published_when_the_line_breaks_and_not_when_it_is_closed(mosquitto):
    """[MQTT-3.1.2-8], [MQTT-3.1.2-10]"""
    for breaks in (False, True):
        ear = Subscriber(mosquitto)
        box = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv311)
        box.will_set(TOPIC, b"gone", qos=1)
        box.connect(mosquitto.host, mosquitto.port)
        box.loop_start()
        until(box.is_connected)
        if breaks:
            box.loop_stop()
            box.socket().close()
        else:
            box.disconnect()
            box.loop_stop()
        say(mosquitto, b"later") if not breaks else None
        until(lambda: ear.got)  # noqa: B023
        assert [payload for _, payload, _ in ear.got] == [b"gone" if breaks else b"later"]
        for mid, _, _ in ear.got:
            ear.client.ack(mid, 1)
        ear.client.disconnect()
        ear.client.loop_stop()
