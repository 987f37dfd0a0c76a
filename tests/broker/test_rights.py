"""Real attempts at a real Mosquitto with TLS: what a box may do, and what nobody may."""

from __future__ import annotations

import socket
import ssl
from contextlib import suppress

import paho.mqtt.client as mqtt
import pytest

from dashboard.commands.run import connection
from dashboard.config import load
from tests.broker.client import Client, box, kerfbook
from tests.waiting import until

pytestmark = pytest.mark.real

OWN = "kerfbook/tern-point/heron/readings"
OTHERS = "kerfbook/tern-point/plover/readings"


@pytest.mark.parametrize("protocol", [mqtt.MQTTv5, mqtt.MQTTv311])
def test_a_box_publishes_to_its_own_saw_and_to_no_other_topic(broker, protocol):
    with kerfbook(broker) as ours:
        for topic in ("kerfbook/tern-point/+/readings", "kerfbook/tern-point/+/status"):
            assert ours.subscribe(topic) == "Granted QoS 1"
        for topic in (
            OTHERS,
            "kerfbook/tern-point/plover/status",
            "kerfbook/tern-point/alerts",
            "kerfbook/other-site/heron/readings",
            "kerfbook/tern-point/heron",
            "kerfbook/tern-point/heron/readings/more",
            "anything",
        ):
            # A connection for each: Mosquitto 2.0.11 ends one of MQTT 5 after it has refused a message.
            with box(broker, "heron", protocol=protocol) as heron:
                answer = heron.publish(topic, retain=True)
                if protocol is mqtt.MQTTv5:  # 3.1.1 has no word for it: a refused message is acknowledged (§3.3.5)
                    assert answer == "Not authorized", topic
        with box(broker, "heron", protocol=protocol) as heron:
            heron.publish(OWN)
            heron.publish("kerfbook/tern-point/heron/status", retain=True)
        until(lambda: len(ours.heard) >= 2)
        assert ours.heard == [OWN, "kerfbook/tern-point/heron/status"]


def shake_hands(port: int, context: ssl.SSLContext) -> str | None:
    """The version that both speak."""
    with (
        socket.create_connection(("127.0.0.1", port), 20) as plain,
        context.wrap_socket(plain, server_hostname="127.0.0.1") as encrypted,
    ):
        return encrypted.version()


def test_a_box_hears_nothing_not_even_of_its_own_saw(broker):
    with box(broker, "heron") as heron, box(broker, "plover") as plover, kerfbook(broker) as ours:
        for topic in (OTHERS, OWN, "kerfbook/tern-point/+/readings", "#", "$SYS/#", "kerfbook/#"):
            heron.subscribe(topic)  # Mosquitto grants any, and delivers nothing that may not be read
        ours.subscribe("kerfbook/tern-point/+/readings")
        assert plover.publish(OTHERS) == "Success"
        assert heron.publish(OWN) == "Success"
        until(lambda: len(ours.heard) == 2)
        assert heron.publish(OWN) == "Success"  # a round trip, after which anything meant for it would be here
        assert heron.heard == []


def test_a_will_on_another_boxs_topic_is_not_left(broker):
    with kerfbook(broker) as ours:
        ours.subscribe("kerfbook/tern-point/+/status")
        thief = box(broker, "heron")
        thief.mqtt.will_set("kerfbook/tern-point/plover/status", b'{"online":false}', qos=1, retain=True)
        with thief:
            if not thief.gone:
                thief.mqtt._sock_close()  # without a goodbye
        with box(broker, "plover") as plover:
            plover.publish("kerfbook/tern-point/plover/status", b'{"online":true}')
        until(lambda: ours.heard)
        assert ours.heard == ["kerfbook/tern-point/plover/status"]


def test_who_has_no_or_a_wrong_password_is_refused_at_both_doors(broker):
    trust = broker.trust()
    for port in (broker.boxes, broker.port):
        for user in (None, ("box-heron", "wrong"), ("kerfbook", ""), ("box-heron", broker.password("plover"))):
            with Client(port, user, trust) as stranger:
                assert stranger.reason != "Success"
            with Client(port, user, trust, protocol=mqtt.MQTTv311) as stranger:
                assert stranger.reason == "Not authorized"


def test_a_box_does_not_get_in_where_kerfbook_does_nor_the_other_way_round(broker):
    with Client(broker.port, ("box-heron", broker.password("heron")), broker.trust()) as heron:
        assert heron.reason == "Not authorized"
    password = (broker.root / "collector/password").read_text().strip()
    with Client(broker.boxes, ("kerfbook", password), broker.trust()) as ours:
        assert ours.reason == "Not authorized"


def test_a_box_that_takes_kerfbooks_client_id_does_not_end_its_connection(broker):
    with kerfbook(broker, client_id="kerfbook-tern-point") as ours:
        ours.subscribe("kerfbook/tern-point/+/readings")
        with box(broker, "heron", client_id="kerfbook-tern-point") as thief:
            assert thief.reason == "Success"
            assert thief.publish(OWN) == "Success"
        until(lambda: ours.heard)
        assert not ours.gone


def test_who_trusts_another_authority_does_not_talk_to_this_broker(broker, tmp_path):
    other = tmp_path / "other"
    assert broker.write("--folder", str(other)) == 0
    wrong = ssl.create_default_context(cafile=other / "ca/ca.pem")
    for port in (broker.boxes, broker.port):
        assert shake_hands(port, broker.trust()) in {"TLSv1.2", "TLSv1.3"}
        for stranger in (wrong, ssl.create_default_context()):
            with pytest.raises(ssl.SSLCertVerificationError, match="verify failed"):
                shake_hands(port, stranger)


def test_without_tls_or_with_an_old_one_there_is_no_answer(broker):
    with socket.create_connection(("127.0.0.1", broker.boxes), 5) as plain:
        plain.settimeout(5)
        plain.sendall(bytes.fromhex("101000044d515454040200000004686572 6f".replace(" ", "")))  # CONNECT, in the clear
        with suppress(ConnectionResetError):
            assert plain.recv(2) in (b"", b"\x15\x03")  # closed, or a TLS alert
    old = broker.trust()
    with pytest.warns(DeprecationWarning, match="TLSv1"):  # Python's own opinion of it
        old.minimum_version, old.maximum_version = ssl.TLSVersion.TLSv1, ssl.TLSVersion.TLSv1_1
    old.set_ciphers("ALL:@SECLEVEL=0")
    with pytest.raises(OSError, match=r"(?i)version|alert|no protocols|handshake"):
        shake_hands(broker.boxes, old)


def test_a_renewed_password_holds_after_a_reload_and_the_old_one_no_more(broker):
    stolen = broker.password("heron")
    broker.write("--renew", "heron")
    broker.reload()

    def refused() -> bool:
        with Client(broker.boxes, ("box-heron", stolen), broker.trust()) as thief:
            return thief.reason == "Not authorized"

    until(refused)
    with box(broker, "heron") as heron:
        assert heron.reason == "Success"


def test_kerfbook_toml_takes_what_the_command_prints(written):
    written.use()
    broker = connection(load(written.config).broker)
    assert (broker.host, broker.port, broker.username) == ("127.0.0.1", written.port, "kerfbook")
    assert broker.tls.verify_mode is ssl.CERT_REQUIRED
    for line in ("port = " + str(written.port), 'username = "kerfbook"', "tls = true"):
        assert line in written.told
