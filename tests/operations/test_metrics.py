"""What is scraped, read by the client library's own parsers; and who may scrape."""

from __future__ import annotations

import re

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as openmetrics
from prometheus_client.parser import text_string_to_metric_families as classic

from api.app import vitals_of
from collector.book.entries import SawEntry
from collector.broker import Broker
from collector.facts import State
from collector.mqtt import Collector
from tests.api.conftest import at
from tests.operations.test_health import READINGS, Stores
from tests.waiting import until


def scrape(client, parse=classic, **headers) -> dict[str, dict[tuple[str, ...], float]]:
    """Values by sample and labels, in the order of the labels' names."""
    answer = client.get("/metrics", headers=headers)
    assert answer.status_code == 200, answer.data
    found: dict[str, dict[tuple[str, ...], float]] = {}
    for family in parse(answer.text):
        assert family.documentation, family.name
        for sample in family.samples:
            found.setdefault(sample.name, {})[tuple(sample.labels[name] for name in sorted(sample.labels))] = (
                sample.value
            )
    return found


def test_the_shops_figures_are_those_of_its_book(shop):
    vitals_of(shop.app).folder = vitals_of(shop.app).trace = None
    found = scrape(shop.app.test_client())
    assert found["kerfbook_saw_last_reading_timestamp_seconds"] == {("heron",): at("09:00:00") / 1e6}
    assert found["kerfbook_facts"][("cut", "heron")] == 3
    assert found["kerfbook_facts"][("door_visit", "heron")] == 1
    assert found["kerfbook_refusals_total"] == {("not-json", "heron"): 1, ("unknown-saw", ""): 1}
    assert found["kerfbook_box_clock_skew_seconds"] == {("heron",): 0}
    assert found["kerfbook_outbox_messages"] == {(): 0}
    assert found["kerfbook_streams_open"] == {(): 0}
    assert found["kerfbook_store_bytes"][("book",)] > 4096
    assert found["process_resident_memory_bytes"][()] > 1e7
    assert set(found["kerfbook_alerts_standing"].values()) == {0}
    assert "kerfbook_messages_received_total" not in found  # no collector in this process, and none is invented


def test_stores_and_disk_are_measured_where_they_are_files(shop, tmp_path):
    vitals = vitals_of(shop.app)
    vitals.folder, vitals.trace = tmp_path, tmp_path / "trace.db"
    found = scrape(shop.app.test_client())
    on_disk = sum((tmp_path / name).stat().st_size for name in ("trace.db", "trace.db-wal"))
    assert found["kerfbook_store_bytes"][("trace",)] == on_disk
    assert found["kerfbook_disk_free_bytes"][()] > 0


@pytest.mark.real
def test_the_collectors_figures_follow_its_messages(shop, mosquitto):
    from tests.ingest.publisher import Publisher  # noqa: PLC0415

    stores = Stores()
    collector = Collector(stores, "tern-point", Broker(port=mosquitto.port))
    collector.start()
    until(lambda: collector.health().connected)
    vitals_of(shop.app).collector = collector.health
    with Publisher(mosquitto) as box:
        box.publish([(READINGS, b"[]")] * 5)
        until(lambda: collector.health().queued == 0 and sum(collector.health().delays.counts) > 0)
    found = scrape(shop.app.test_client())
    collector.stop()
    groups = found["kerfbook_commit_delay_seconds_count"][()]
    assert 1 <= groups <= 5
    assert found["kerfbook_commit_delay_seconds_bucket"][("+Inf",)] == groups
    assert found["kerfbook_commit_delay_seconds_sum"][()] > 0
    assert found["kerfbook_broker_connected"][()] == 1
    assert found["kerfbook_broker_connections_total"][()] == 1
    assert found["kerfbook_collector_running"][()] == 1
    vitals_of(shop.app).collector = None


def test_the_names_keep_prometheus_conventions_and_both_formats_say_the_same(shop):
    client = shop.app.test_client()
    old = scrape(client)
    new = scrape(client, openmetrics, Accept="application/openmetrics-text; version=1.0.0")
    ours = {name for name in old if name.startswith("kerfbook")}
    assert ours == {name for name in new if name.startswith("kerfbook")}
    # prometheus.io, Metric and label naming: snake case, base units, a unit or _total at the end.
    for name in ours:
        assert re.fullmatch(r"kerfbook(_[a-z]+)+", name), name
        assert not re.search(r"_(ms|us|milliseconds|minutes|kb|mb|percent)$", name), name


def test_labels_stay_few_whatever_boxes_send(shop):
    before = sum(map(len, scrape(shop.app.test_client()).values()))
    shop.book.open_saws([SawEntry(f"stray-{n}") for n in range(50)])
    for n in range(50):
        shop.say(f"stray-{n}", State.READY, at("09:01:00"))
    vitals_of(shop.app).collector = None
    assert sum(map(len, scrape(shop.app.test_client()).values())) == before


def test_a_stranger_scrapes_nothing_and_a_programs_token_does(house, owner):
    assert house.client().get("/metrics", headers={"Host": "saws.example"}).status_code == 401
    token = house.badge(owner, "token", rights=["see"])["secret"]
    program = house.app.test_client()
    answer = program.get("/metrics", headers={"Authorization": f"Bearer {token}"})
    assert answer.status_code == 200
    assert answer.content_type.startswith("text/plain; version=")
