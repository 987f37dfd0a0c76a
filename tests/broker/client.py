"""Somebody at the broker: a box, or who would like to be one."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.waiting import until

if TYPE_CHECKING:
    import ssl

    from tests.broker.conftest import Written


class Client:
    """Connects when entered.

    Attributes:
        reason: the broker's answer to the connection.
        heard: topics of the messages that came.
        gone: why the connection ended.
    """

    def __init__(
        self,
        port: int,
        user: tuple[str, str] | None,
        tls: ssl.SSLContext | None,
        *,
        client_id: str = "",
        protocol: mqtt.MQTTProtocolVersion = mqtt.MQTTv5,
    ) -> None:
        self._port = port
        self.reason: str | None = None
        self.heard: list[str] = []
        self.gone: list[str] = []
        self._answers: dict[int, str] = {}
        clean = None if protocol is mqtt.MQTTv5 else True
        self.mqtt = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            clean_session=clean,
            protocol=protocol,
            reconnect_on_failure=False,
        )
        if user is not None:
            self.mqtt.username_pw_set(*user)
        if tls is not None:
            self.mqtt.tls_set_context(tls)
        self.mqtt.on_connect = lambda _c, _u, _f, reason, _p: setattr(self, "reason", str(reason))
        self.mqtt.on_disconnect = lambda _c, _u, _f, reason, _p: self.gone.append(str(reason))
        self.mqtt.on_message = lambda _c, _u, message: self.heard.append(message.topic)
        self.mqtt.on_publish = lambda _c, _u, mid, reason, _p: self._answers.update({mid: str(reason)})
        self.mqtt.on_subscribe = lambda _c, _u, mid, reasons, _p: self._answers.update({mid: str(reasons[0])})

    def __enter__(self) -> Self:
        self.mqtt.connect("127.0.0.1", self._port)
        self.mqtt.loop_start()
        until(lambda: self.reason is not None or self.gone)
        return self

    def __exit__(self, *_: object) -> None:
        self.mqtt.disconnect()
        self.mqtt.loop_stop()

    def publish(self, topic: str, payload: bytes = b"[]", *, retain: bool = False) -> str:
        """The broker's answer."""
        return self._answer(self.mqtt.publish(topic, payload, qos=1, retain=retain).mid)

    def subscribe(self, topic: str) -> str:
        """The broker's answer."""
        _, mid = self.mqtt.subscribe(topic, qos=1)
        return self._answer(mid)

    def _answer(self, mid: int | None) -> str:
        until(lambda: mid in self._answers)
        return self._answers[mid]


def box(broker: Written, saw: str, **more: object) -> Client:
    """The box of a saw."""
    return Client(broker.boxes, (f"box-{saw}", broker.password(saw)), broker.trust(), **more)


def kerfbook(broker: Written, **more: object) -> Client:
    """Who has Kerfbook's password."""
    password = (broker.root / "collector/password").read_text().strip()
    return Client(broker.port, ("kerfbook", password), broker.trust(), **more)
