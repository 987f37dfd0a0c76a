"""`/healthz` says what is the case: with a real collector, a real broker, a store that fails, a disk that is full."""

from __future__ import annotations

import threading
import urllib.error

import pytest

from api import vitals as room
from api.app import vitals_of
from api.vitals import Vitals, collector_faults, disk_faults
from collector.broker import Broker
from collector.ingest.ingest import Counts
from collector.mqtt import Collector
from tests.conftest import free_port
from tests.dashboard.running import Running
from tests.ingest.publisher import Publisher
from tests.waiting import until

READINGS = "kerfbook/tern-point/heron/readings"


class Stores:
    """What a collector gives its messages to; `fault` is raised by every commit, `gate` holds it up."""

    def __init__(self) -> None:
        self.counts = Counts()
        self.fault: Exception | None = None
        self.gate = threading.Event()
        self.gate.set()
        self._tokens: list[object] = []

    def take(self, topic, payload, received_us, retained, token, **_more) -> None:
        self._tokens.append(token)

    def settle(self) -> list[object]:
        self.gate.wait(60)
        if self.fault is not None:
            raise self.fault
        self.counts.groups += 1
        tokens, self._tokens = self._tokens, []
        return tokens


@pytest.fixture
def stores():
    stores = Stores()
    yield stores
    stores.gate.set()


@pytest.fixture
def collector(stores, mosquitto):
    collector = Collector(stores, "tern-point", Broker(port=mosquitto.port))
    collector.start()
    until(lambda: collector.health().connected)
    yield collector
    collector.stop()


def faults(vitals: Vitals) -> list[str]:
    return [ill.where for ill in vitals.look()]


@pytest.mark.real
def test_the_brokers_end_and_return_show(tmp_path, mosquitto):
    with Running(tmp_path, mosquitto, ["heron"]) as house:

        def broker_is_missed() -> bool:
            try:
                return house.get("/healthz")["status"] != "ok"
            except urllib.error.HTTPError as error:
                return error.code == 503 and b'"where":"broker"' in error.read()

        until(lambda: not broker_is_missed())
        mosquitto.stop()
        until(broker_is_missed)
        mosquitto.start()
        until(lambda: not broker_is_missed())


@pytest.mark.real
def test_a_store_that_cannot_be_written_shows_until_it_can(collector, stores, mosquitto):
    vitals = Vitals(collector.health)
    assert vitals.look() == []
    stores.fault = OSError(28, "No space left on device: /secret/place")
    with Publisher(mosquitto) as box:
        box.client.publish(READINGS, b"[]", qos=1)
        until(lambda: faults(vitals) == ["stores"])
        assert "place" not in vitals.look()[0].detail  # strangers may read it
        assert vitals.moves()
        stores.fault = None
        until(lambda: vitals.look() == [])


@pytest.mark.real
def test_a_collector_that_hangs_or_has_ended_shows(collector, stores, mosquitto, monkeypatch):
    vitals = Vitals(collector.health)
    monkeypatch.setattr(room, "STUCK_SECONDS", 1.0)
    until(vitals.moves)
    stores.gate.clear()
    with Publisher(mosquitto) as box:
        box.client.publish(READINGS, b"[]", qos=1)
        until(lambda: not vitals.moves())
        assert faults(vitals) == ["collector"]
        stores.gate.set()
        until(vitals.moves)
    collector.stop()
    assert not vitals.moves()
    assert vitals.look()[0].detail.startswith("It has ended.")


def test_a_collector_that_waits_for_its_broker_moves_and_is_not_well(stores):
    collector = Collector(stores, "tern-point", Broker(port=free_port()))
    collector.start()
    until(lambda: "refused" in (collector.health().broker_error or ""))
    assert collector_faults(collector.health())[0].where == "broker"
    assert Vitals(collector.health).moves()
    collector.stop()


def test_a_disk_that_takes_nothing_more_shows(tmp_path, monkeypatch):
    assert disk_faults(tmp_path) == []
    assert "cannot be looked at" in disk_faults(tmp_path / "gone")[0].detail
    assert disk_faults("/proc/sys")  # a place where nobody can put a file
    monkeypatch.setattr(room, "LEAST_BYTES", 1 << 62)
    assert "full" in disk_faults(tmp_path)[0].detail


def test_the_answer_is_a_problem_that_names_each_thing(shop):
    client = shop.app.test_client()
    assert client.get("/healthz").status_code == 200
    vitals_of(shop.app).folder = shop.site.name  # there is no such folder here
    answer = client.get("/healthz")
    assert answer.status_code == 503
    assert answer.json["type"] == "/api/v1/problems/not-well"
    assert answer.json["errors"][0]["where"] == "disk"
    assert "kerfbook doctor" in client.get(answer.json["type"]).json["what_to_do"]
