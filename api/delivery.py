"""Sending: Apprise for mail, chat, push and webhooks, and MQTT through the site's broker. Decides nothing."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import orjson

if TYPE_CHECKING:
    import ssl

    from api.answers.messages import Text

MQTT_SCHEME = "mqtt:"
"""The address of a channel through the site's own broker; Apprise's own ``mqtt://…`` reaches any other."""

_SECONDS = 10.0
_CHILD = Path(__file__).with_name("apprise_child.py")
_CHILD_SECONDS = 90


class DeliveryError(Exception):
    """A message could not be delivered now; says what is known of why."""


class Sender(Protocol):
    """Delivers one message."""

    def send(self, address: str, text: Text, facts: dict[str, Any]) -> None:
        """Deliver, or raise.

        Args:
            address: where to.
            text: for people.
            facts: for programs: what an MQTT message holds.

        Raises:
            DeliveryError: not delivered; worth another try.
        """


class AppriseSender:
    """Sends through Apprise, in a process of its own for each message (`api.apprise_child` says why)."""

    def send(self, address: str, text: Text, facts: dict[str, Any]) -> None:  # noqa: ARG002 (for other senders)
        """Deliver through the service that the address names."""
        order = orjson.dumps({"address": address, "title": text.title, "body": text.body, "html": text.html})
        # -P: the folder of the script is no place to import from. The address may hold a password: not on the line.
        command = [sys.executable, "-P", str(_CHILD)]
        try:
            done = subprocess.run(command, input=order, capture_output=True, timeout=_CHILD_SECONDS, check=True)  # noqa: S603
            why = orjson.loads(done.stdout)["why"]
        except subprocess.TimeoutExpired:
            why = f"the service did not answer within {_CHILD_SECONDS} s"
        except (OSError, subprocess.CalledProcessError, ValueError, KeyError) as error:
            why = f"the process that sends failed ({type(error).__name__})"
        if why:
            raise DeliveryError(why)


@dataclass(frozen=True, slots=True)
class MqttSender:
    """Publishes to ``kerfbook/{site}/alerts`` of the site's broker, QoS 1, and waits until the broker has it."""

    site: str
    host: str
    port: int
    username: str | None = None
    password: str | None = None
    tls: ssl.SSLContext | None = None

    def send(self, address: str, text: Text, facts: dict[str, Any]) -> None:  # noqa: ARG002 (there is one broker)
        """Publish one JSON object."""
        from paho.mqtt.client import Client  # noqa: PLC0415
        from paho.mqtt.enums import CallbackAPIVersion  # noqa: PLC0415

        client = Client(CallbackAPIVersion.VERSION2)
        if self.username is not None:
            client.username_pw_set(self.username, self.password)
        if self.tls is not None:
            client.tls_set_context(self.tls)
        payload = orjson.dumps({"title": text.title, "text": text.body, **facts})
        try:
            client.connect(self.host, self.port)
            client.loop_start()
            told = client.publish(f"kerfbook/{self.site}/alerts", payload, qos=1)
            told.wait_for_publish(_SECONDS)
            if not told.is_published():
                raise DeliveryError(f"the broker {self.host}:{self.port} did not acknowledge the message")
        except (OSError, ValueError, RuntimeError) as error:
            raise DeliveryError(f"the broker {self.host}:{self.port} cannot be reached: {error}") from error
        finally:
            client.disconnect()
            client.loop_stop()


@dataclass(frozen=True, slots=True)
class Post:
    """Takes each address to the sender that knows it."""

    other: Sender
    mqtt: Sender | None = None

    def send(self, address: str, text: Text, facts: dict[str, Any]) -> None:
        """Deliver, or raise `DeliveryError`."""
        if not address.startswith(MQTT_SCHEME) or address.startswith("mqtt://"):
            self.other.send(address, text, facts)
        elif self.mqtt is None:
            raise DeliveryError("no broker is configured for messages")
        else:
            self.mqtt.send(address, text, facts)
