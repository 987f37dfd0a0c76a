"""Messages straight from the socket's bytes: a short cut past the client library, whose own way takes much longer.

The library reads a packet in four calls of the socket and makes a dozen objects of it: most of what a message cost.
Here the bytes come in large pieces; the plain PUBLISH packets that lie whole in one are taken from it, and all else
(other packets, torn ones, messages with properties) the library reads from the same bytes as it always does.

Two methods of the library's own are used for that. Should a later release not have them, or not call them, then all
messages come by the library's callback as before: `tests/ingest/test_packets.py` would tell.
"""

from __future__ import annotations

from typing import NamedTuple

from paho.mqtt.client import Client
from paho.mqtt.enums import MQTTProtocolVersion

_PIECE = 1 << 16  # bytes read at once
_PUBLISH = 3
_LENGTH_BYTES = 4  # of a remaining length, MQTT 5.0 §1.5.5


class Publish(NamedTuple):
    """One message: what MQTT 5.0 §3.3 has in its PUBLISH packet."""

    topic: str
    payload: bytes
    mid: int
    qos: int
    retain: bool
    dup: bool


def publish_at(data: bytes, at: int, *, version_5: bool) -> tuple[Publish, int] | None:
    """The PUBLISH packet that begins at a place, and the place after it.

    None where it is another packet, not whole, or not plain: with properties, of QoS 2, malformed, or with a topic that
    is empty or not UTF-8.
    """
    found = _whole(data, at)
    if found is None:
        return None
    head, at, end = found
    qos = head >> 1 & 3
    topic = data[at + 2 : at + 2 + int.from_bytes(data[at : at + 2])]
    at += 2 + len(topic)
    if head >> 4 != _PUBLISH or qos > 1 or not topic or at + 2 * qos + version_5 > end:
        return None
    mid = 0
    if qos:
        mid = int.from_bytes(data[at : at + 2])
        at += 2
    if version_5:
        if data[at]:
            return None
        at += 1
    try:
        return Publish(topic.decode(), data[at:end], mid, qos, bool(head & 1), bool(head & 8)), end
    except UnicodeDecodeError:
        return None


def _whole(data: bytes, at: int) -> tuple[int, int, int] | None:
    """First byte of the packet that begins at a place, where its body begins, and where it ends; None: not whole."""
    size = 0
    for k in range(1, min(1 + _LENGTH_BYTES, len(data) - at)):
        part = data[at + k]
        size |= (part & 0x7F) << 7 * (k - 1)
        if part < 0x80:
            body = at + k + 1
            return (data[at], body, body + size) if body + size <= len(data) else None
    return None


class QuickClient(Client):
    """The library's client, from which plain messages may be taken by `next_publish` instead of its callback."""

    _bytes = b""
    _at = 0

    @property
    def holds(self) -> bool:
        """Whether bytes were read from the socket and not looked at yet."""
        return self._at < len(self._bytes)

    def next_publish(self) -> Publish | None:
        """The next message, if all of it is here and it is plain; else `loop_read` must go on."""
        if self._in_packet.get("command"):
            return None  # the library is in the middle of a packet
        found = publish_at(self._bytes, self._at, version_5=self.protocol is MQTTProtocolVersion.MQTTv5)
        if found is None:
            return None
        self._at = found[1]
        return found[0]

    def _sock_recv(self, bufsize: int) -> bytes:
        if not self.holds:
            self._bytes, self._at = super()._sock_recv(max(bufsize, _PIECE)), 0
        part = self._bytes[self._at : self._at + bufsize]
        self._at += len(part)
        return part
