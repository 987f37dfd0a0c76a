"""Messages taken from the socket's bytes are those that the library itself reads from them."""

from __future__ import annotations

import socket

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from collector.packets import Publish, QuickClient, publish_at

VERSIONS = {False: MQTTProtocolVersion.MQTTv311, True: MQTTProtocolVersion.MQTTv5}
PING_ANSWER = b"\xd0\x00"

messages = st.builds(
    Publish,
    topic=st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), min_size=1, max_size=40),
    payload=st.one_of(st.binary(max_size=40), st.sampled_from([b"a" * 200, b"b" * 20_000, b"c" * 70_000])),
    mid=st.integers(1, 0xFFFF),
    qos=st.sampled_from([0, 1]),
    retain=st.booleans(),
    dup=st.booleans(),
).map(lambda m: m if m.qos else m._replace(mid=0))


def length(size: int) -> bytes:
    """Remaining length, MQTT 5.0 §1.5.5: seven bits a byte, the lowest first."""
    out = b""
    while True:
        size, part = divmod(size, 128)
        out += bytes([part | (0x80 if size else 0)])
        if not size:
            return out


def packet(m: Publish, *, version_5: bool, said: str | None = None) -> bytes:
    """The PUBLISH packet of MQTT 5.0 §3.3, or 3.1.1 §3.3; with something ``said`` as a user property."""
    topic = m.topic.encode()
    body = len(topic).to_bytes(2) + topic + (m.mid.to_bytes(2) if m.qos else b"")
    if version_5:
        properties = Properties(PacketTypes.PUBLISH)
        if said is not None:
            properties.UserProperty = ("said", said)
        body += properties.pack()
    body += m.payload
    return bytes([0x30 | m.dup << 3 | m.qos << 1 | m.retain]) + length(len(body)) + body


class Line:
    """A client on one end of a pair of sockets."""

    def __init__(self, *, version_5: bool) -> None:
        self.here, self.there = socket.socketpair()
        self.client = QuickClient(CallbackAPIVersion.VERSION2, protocol=VERSIONS[version_5], manual_ack=True)
        self.client._sock = self.there
        self.there.setblocking(False)
        self.taken: list[Publish] = []
        self.called: list[Publish] = []
        self.client.on_message = lambda _client, _data, m: self.called.append(
            Publish(m.topic, bytes(m.payload), m.mid, m.qos, m.retain, m.dup)
        )

    def read(self) -> list[Publish]:
        """All that can be read now, in order."""
        found: list[Publish] = []
        while True:
            if (message := self.client.next_publish()) is not None:
                self.taken.append(message)
                found.append(message)
                continue
            before, held = len(self.called), self.client.holds
            assert self.client.loop_read() == MQTTErrorCode.MQTT_ERR_SUCCESS
            found += self.called[before:]
            if len(self.called) == before and not held and not self.client.holds:
                return found

    def close(self) -> None:
        self.here.close()
        self.there.close()


@given(
    st.lists(st.tuples(messages, st.sampled_from(["plain", "said", "ping"])), max_size=12),
    st.lists(st.integers(1, 2000), max_size=12),
    st.booleans(),
)
def test_in_whatever_pieces_they_come_every_message_is_read_once_and_in_order(sent, sizes, version_5):
    stream = b""
    for message, how in sent:
        said = "something" if version_5 and how == "said" else None
        stream += packet(message, version_5=version_5, said=said) + (PING_ANSWER if how == "ping" else b"")
    line = Line(version_5=version_5)
    found = []
    try:
        at = 0
        for size in [*sizes, *([30_000] * (len(stream) // 30_000 + 1))]:
            line.here.sendall(stream[at : at + size])
            at += size
            found += line.read()
    finally:
        line.close()
    assert found == [message for message, _ in sent]


@pytest.mark.parametrize("version_5", [False, True])
def test_plain_messages_go_the_short_way_with_the_library_that_is_installed(version_5):
    sent = [Publish("kerfbook/tern-point/heron/readings", b"x" * 500, n + 1, 1, False, False) for n in range(300)]
    line = Line(version_5=version_5)
    try:
        line.here.sendall(b"".join(packet(message, version_5=version_5) for message in sent))
        assert line.read() == sent
        assert len(line.taken) > 290  # the library's own way is left for those that lie across two pieces
    finally:
        line.close()


@given(st.binary(max_size=60), st.booleans())
def test_no_bytes_whatever_make_it_fail(noise, version_5):
    for data in (noise, b"\x32" + noise):
        found = publish_at(data, 0, version_5=version_5)
        assert found is None or 0 < found[1] <= len(data)


@given(messages, st.booleans(), st.data())
def test_a_packet_that_is_not_whole_is_left_until_it_is(message, version_5, data):
    whole = packet(message, version_5=version_5)
    cut = data.draw(st.integers(0, len(whole) - 1))
    assert publish_at(whole[:cut], 0, version_5=version_5) is None
    assert publish_at(whole, 0, version_5=version_5) == (message, len(whole))
    assert publish_at(b"\0" + whole + b"\0", 1, version_5=version_5) == (message, 1 + len(whole))
