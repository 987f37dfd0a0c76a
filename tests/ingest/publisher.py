"""A box's end of the broker, for tests: publishes at QoS 1 and waits until the broker has everything."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

if TYPE_CHECKING:
    from collections.abc import Iterable


class Publisher:
    def __init__(self, broker) -> None:
        self.client = Client(CallbackAPIVersion.VERSION2)
        self.client.max_queued_messages_set(0)
        self.client.max_inflight_messages_set(1000)
        self.client.connect(broker.host, broker.port)
        self.client.loop_start()

    def publish(self, messages: Iterable[tuple[str, bytes]], *, retain: bool = False, rate: float = 0) -> None:
        sent = []
        for topic, payload in messages:
            sent.append(self.client.publish(topic, payload, qos=1, retain=retain))
            if rate:
                time.sleep(1 / rate)
        for info in sent:
            info.wait_for_publish(60)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()
