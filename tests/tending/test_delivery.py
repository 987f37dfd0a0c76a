"""Messages arrive: at a real SMTP server, a real webhook and a real broker, once each, after these were down."""

from __future__ import annotations

import json
import logging
import subprocess
import sys
import time

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from api.answers.messages import Text
from api.answers.telling import Channel, Policy
from api.delivery import AppriseSender, DeliveryError, MqttSender, Post
from collector.book.alerts import AlertBook
from collector.facts import SECOND
from tests.conftest import free_port
from tests.tending.month import at
from tests.tending.servers import HOOK, SMTP, Server
from tests.tending.shop import MINUTE

pytestmark = pytest.mark.real


@pytest.fixture
def servers(tmp_path):
    made = [Server(SMTP, free_port(), tmp_path / "mail"), Server(HOOK, free_port(), tmp_path / "hook")]
    yield made
    for server in made:
        server.stop()


def test_mail_and_webhook_arrive_once_each_after_an_hour_of_being_down(servers, open_shop, caplog) -> None:
    """An hour by the watch's own clock; the servers are really not there until it is over."""
    mail, hook = servers
    to = f"mailto://127.0.0.1:{mail.port}/?from=saws@tern-point.example&to=lead@tern-point.example&mode=insecure"
    policy = Policy(
        (
            Channel("mail", "maintenance", to),
            Channel("hook", "maintenance", f"json://127.0.0.1:{hook.port}/in"),
        )
    )
    caplog.set_level(logging.CRITICAL)
    shop = open_shop(policy=policy, sender=Post(AppriseSender()))
    shop.heard(at(2, "09:00"))
    for minute in range(5, 66):  # down from 09:05 to 10:05
        shop.look(at(2, "09:00") + minute * MINUTE)
    assert mail.received == hook.received == []
    waiting = AlertBook(shop.book).letters()
    assert {m.channel for m in waiting if m.sent_us is None and m.error} == {"mail", "hook"}
    mail.start()
    hook.start()
    for minute in range(66, 100):
        shop.look(at(2, "09:00") + minute * MINUTE)
    assert [m["subject"] for m in mail.received] == ["Heron: sensor box silent"]
    assert mail.received[0]["to"] == ["lead@tern-point.example"]
    assert "Look whether the box has power" in str(mail.received[0]["body"])
    assert [m["title"] for m in hook.received] == ["Heron: sensor box silent"]
    assert all(m.sent_us for m in AlertBook(shop.book).letters())


def test_a_report_comes_by_mail_as_a_table_and_elsewhere_as_text(servers, open_shop) -> None:
    mail, hook = servers
    mail.start()
    hook.start()
    to = f"mailto://127.0.0.1:{mail.port}/?from=saws@tern-point.example&to=owner@tern-point.example&mode=insecure"
    ways = (Channel("mail", "owner", to), Channel("hook", "owner", f"json://127.0.0.1:{hook.port}/in"))
    shop = open_shop(policy=Policy(ways), sender=Post(AppriseSender()))
    for clock in ("17:59", "18:00"):  # Monday
        shop.heard(at(9, clock))
        shop.look(at(9, clock))
    (report,) = [m for m in mail.received if "report" in m["subject"]]
    assert report["subject"] == "Tern Point Stageworks, report: Week 10, 2 to 8 March 2026"
    assert "<table" in report["html"]
    (text,) = [m for m in hook.received if "report" in m["title"]]
    assert "Why not:" in text["message"]
    assert "<table" not in text["message"]


def test_a_message_through_the_broker_is_json_that_programs_can_read(mosquitto, open_shop) -> None:
    got = []
    listener = mqtt.Client(CallbackAPIVersion.VERSION2, "listener", clean_session=False)
    listener.on_message = lambda *args: got.append(json.loads(args[2].payload))
    listener.connect(mosquitto.host, mosquitto.port)
    subscribed = []
    listener.on_subscribe = lambda *args: subscribed.append(1)
    listener.subscribe("kerfbook/tern-point/alerts", 1)
    listener.loop_start()
    for _ in range(500):
        if subscribed:
            break
        time.sleep(0.02)
    sender = Post(AppriseSender(), MqttSender("tern-point", mosquitto.host, mosquitto.port))
    shop = open_shop(policy=Policy((Channel("broker", "maintenance", "mqtt:"),)), sender=sender)
    shop.heard(at(2, "09:00"))
    mosquitto.stop()
    shop.look(at(2, "09:05"))
    mosquitto.start()
    shop.look(at(2, "09:05") + 20 * SECOND)
    for _ in range(500):
        if got:
            break
        time.sleep(0.02)
    listener.loop_stop()
    (message,) = got
    assert message["title"] == "Heron: sensor box silent"
    (alert,) = message["alerts"]
    assert (alert["saw"], alert["kind"], alert["priority"], alert["state"]) == (
        "heron",
        "box-silent",
        "medium",
        "unacknowledged",
    )


def test_an_address_that_apprise_does_not_know_is_said_so() -> None:
    with pytest.raises(DeliveryError, match="does not know"):
        AppriseSender().send("pigeon://loft", Text("a", "b"), {})


def test_without_a_broker_an_mqtt_channel_says_so() -> None:
    with pytest.raises(DeliveryError, match="no broker"):
        Post(AppriseSender()).send("mqtt:", Text("a", "b"), {})


def test_a_quiet_shop_does_not_pay_for_apprise() -> None:
    code = "import sys, api.watch, api.delivery, api.app; print(sorted({'apprise', 'icalendar'} & set(sys.modules)))"
    assert subprocess.check_output([sys.executable, "-c", code], text=True).strip() == "[]"
