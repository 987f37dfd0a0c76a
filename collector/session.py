"""A session of the broker: made or gone on with, in MQTT 5 or 3.1.1, subscribed to, and left in order."""

from __future__ import annotations

import logging
import time
from typing import TYPE_CHECKING, Any

from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from collector.packets import QuickClient
from collector.troubles import BROKER, Troubles

if TYPE_CHECKING:
    import socket
    from collections.abc import Callable

    from paho.mqtt.client import Client, MQTTMessage

    from collector.broker import Broker

log = logging.getLogger(__name__)

RECEIVE_MAXIMUM = 4096
"""Messages in flight with MQTT 5; also the largest group."""

_ANSWER_SECONDS = 5.0  # a broker that has not accepted the connection by then never will
_FOREVER = 0xFFFF_FFFF  # Session Expiry Interval: never
_FILTERS = 200  # in one SUBSCRIBE
_UNCONFIRMED = "has not confirmed the subscription yet"


class Session:
    """One collector's session; each connection goes on with it.

    Args:
        broker: how it is reached.
        filters: what is subscribed to.
        take: is given every message that the client reads by itself.
        troubles: where it is noted that the broker is back.
        orphaned: the session is that of a collector that is gone: it is served as the broker has it, and not made.

    Attributes:
        connected: at this moment, and subscribed: a broker keeps nothing for one that never was.
        connections: how many there were.
        error: what is wrong at this moment; None: nothing.
        ended: an orphaned session turned out to be none any more.
    """

    def __init__(
        self,
        broker: Broker,
        filters: list[str],
        take: Callable[[Client, Any, MQTTMessage], None],
        troubles: Troubles,
        *,
        orphaned: bool,
    ) -> None:
        self._broker = broker
        self._filters = filters
        self._on_message = take
        self._troubles = troubles
        self._orphaned = orphaned
        self._asked: dict[int, list[str]] = {}  # filters of a SUBSCRIBE that is not answered yet
        self._protocol = MQTTProtocolVersion.MQTTv311 if broker.protocol == "3.1.1" else MQTTProtocolVersion.MQTTv5
        self._answered = False  # the broker has answered the connection that is being made
        self.connected = False
        self.connections = 0
        self.error: str | None = "not connected yet"
        self.ended = False

    @property
    def speaks_5(self) -> bool:
        """Whether it is MQTT 5 that is spoken, or tried."""
        return self._protocol is MQTTProtocolVersion.MQTTv5

    @property
    def where(self) -> str:
        """The broker's address."""
        return f"{self._broker.host}:{self._broker.port}"

    def connect(self) -> QuickClient | None:
        """A client whose connection is being made; None: the broker cannot be reached."""
        broker = self._broker
        version_5 = self.speaks_5
        client = QuickClient(
            CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            clean_session=None if version_5 else False,
            protocol=self._protocol,
            manual_ack=True,
            reconnect_on_failure=False,
        )
        if broker.username is not None:
            client.username_pw_set(broker.username, broker.password)
        if broker.tls is not None:
            client.tls_set_context(broker.tls)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_socket_register_write = _leave_to_the_loop
        self._answered = False
        try:
            if version_5:
                session = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
                session.SessionExpiryInterval = _FOREVER
                session.ReceiveMaximum = RECEIVE_MAXIMUM
                client.connect(broker.host, broker.port, broker.keepalive, clean_start=False, properties=session)
            else:
                client.connect(broker.host, broker.port, broker.keepalive)
        except (OSError, ValueError) as error:
            self.error = f"cannot be reached ({error})"
            return None
        return client

    def is_mute(self, since: float) -> bool:
        """Whether the broker lets a connection wait for its answer; some do so with a version they do not speak."""
        if self._answered or time.monotonic() < since + _ANSWER_SECONDS:
            return False
        self.error = "does not answer"
        self._answered = True  # so much is known
        self._other_protocol()
        return True

    def leave(self, client: Client) -> None:
        """Leaves the broker in order: what is queued is sent, and a session that was not ours is not left there."""
        if client.socket() is not None:
            client.disconnect(properties=_no_session() if self.ended and self.speaks_5 else None)
            _flush(client)
        self.connected = False

    def _on_connect(self, client: Client, _data: Any, flags: Any, reason: Any, _properties: Any) -> None:
        self._answered = True
        if reason.is_failure:
            self.error = f"refused the connection: {reason}"
            if str(reason) == "Unsupported protocol version":
                self._other_protocol()
            client.disconnect()
            return
        self.connections += 1
        self.error = _UNCONFIRMED if self._filters else None
        self._troubles.is_over(BROKER)
        version = "5" if self.speaks_5 else "3.1.1"
        log.info(
            "broker %s: connected with MQTT %s, %s",
            self.where,
            version,
            "going on with the session" if flags.session_present else "new session",
        )
        if self._orphaned and not flags.session_present:
            self.error = f"the broker keeps no session {self._broker.client_id!r} any more"
            self.ended = True
        self._asked.clear()
        for i in range(0, len(self._filters), _FILTERS):
            some = self._filters[i : i + _FILTERS]
            _, mid = client.subscribe([(one, 1) for one in some])
            self._asked[mid or 0] = some
        self.connected = not self._asked

    def _on_subscribe(self, _client: Client, _data: Any, mid: int, reasons: Any, _properties: Any) -> None:
        for topic, reason in zip(self._asked.pop(mid, ()), reasons, strict=False):
            if reason.is_failure:
                self.error = f"refused the subscription to {topic} ({reason}): correct its access rules"
                log.error("broker %s: %s", self.where, self.error)
        self.connected = not self._asked
        if self.connected and self.error == _UNCONFIRMED:
            self.error = None

    def _on_disconnect(self, _client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self.connected = False
        if not self._answered:  # some brokers hang up on a version that they do not speak
            self.error = "hung up before it answered"
            self._other_protocol()
        elif self.error is None:
            self.error = f"the connection ended: {reason}"

    def _other_protocol(self) -> None:
        if self._broker.protocol == "auto" and self._broker.share is None:
            version_5 = self.speaks_5
            self._protocol = MQTTProtocolVersion.MQTTv311 if version_5 else MQTTProtocolVersion.MQTTv5


def _flush(client: Client) -> None:
    deadline = time.monotonic() + 2.0
    while client.socket() is not None and client.want_write() and time.monotonic() < deadline:
        if client.loop_write() == MQTTErrorCode.MQTT_ERR_AGAIN:
            time.sleep(0.01)


def _no_session() -> Properties:
    """Of a DISCONNECT: the broker must not keep the session that connecting has made."""
    ends = Properties(PacketTypes.DISCONNECT)  # type: ignore[no-untyped-call]
    ends.SessionExpiryInterval = 0
    return ends


def _leave_to_the_loop(_client: Client, _data: Any, _socket: socket.socket | Any) -> None:
    """With this callback set, packets are queued until ``loop_write`` instead of each being sent at once."""
