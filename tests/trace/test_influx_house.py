"""Collector and stores as `kerfbook run` puts them together, with the trace in InfluxDB: the facts are the same."""

import datetime as dt

import pytest

from collector.book.book import Book
from collector.facts import as_record
from collector.replay import replay
from collector.trace.place import open_trace
from collector.trace.store import TraceError
from dashboard.config import loads
from dashboard.house import House
from simulator.play import deliveries
from simulator.shop import Saw, simulate_day
from tests.configuration import one_saw
from tests.waiting import until

pytestmark = pytest.mark.real

READINGS = "kerfbook/tern-point/heron/readings"
MONDAY = dt.date(2026, 3, 2)
EVENING = 1_772_496_000 * 1_000_000  # 2026-03-03T00:00:00Z


def test_a_shop_on_influxdb_loses_nothing_when_the_server_is_killed_and_the_house_restarts(tmp_path, influx):
    packs = [each.payload("json") for each in deliveries(simulate_day(Saw("heron"), MONDAY, 11))][8000:9500]
    (tmp_path / "kerfbook-data").mkdir()
    settings = loads(one_saw(f'trace = "{influx.url}/kerfbook/raw"\ntrace_days = 0'), "kerfbook.toml", tmp_path)
    stores = settings.stores
    acknowledged = []
    house = House(settings.site, stores.trace, stores.book, settings.detection, disk=stores.folder)
    for n in range(0, len(packs), 50):
        for i, pack in enumerate(packs[n : n + 50]):
            house.ingest.take(READINGS, pack, EVENING, False, n + i)
        if n == 500:
            influx.kill()
            with pytest.raises(TraceError):
                house.ingest.settle()
            assert len(acknowledged) == n
            influx.start()
        if n == 1000:  # these were not settled: the broker sends them again
            house.close()
            house = House(settings.site, stores.trace, stores.book, settings.detection, disk=stores.folder)
            for i, pack in enumerate(packs[n : n + 50]):
                house.ingest.take(READINGS, pack, EVENING, False, n + i)
        acknowledged += house.ingest.settle()
    house.close()
    assert acknowledged == list(range(len(packs)))
    with Book(stores.book) as book, open_trace(stores.trace, readonly=True) as trace:
        assert [as_record(fact) for fact in book.facts("heron", 0, 2**62)] == list(replay(packs, "heron"))
        assert trace.saws() == ["heron"]


def counted(trace, query):
    """What a query answers; nothing as long as there is no such policy."""
    try:
        return trace.server.ask(query)
    except TraceError:
        return []


def test_facts_of_a_running_house_appear_as_points(tmp_path, influx):
    day = simulate_day(Saw("heron"), MONDAY, 11).trace
    (tmp_path / "kerfbook-data").mkdir()
    settings = loads(one_saw(f'trace = "{influx.url}/kerfbook/raw"\ntrace_days = 0'), "kerfbook.toml", tmp_path)
    stores = settings.stores
    house = House(settings.site, stores.trace, stores.book, settings.detection, facts_as_points=stores.facts_as_points)
    house.ingest.absorb("heron", day)
    house.open_screens("mqtt://192.0.2.7:1883", "127.0.0.1", 0)
    try:
        query = 'SELECT count(seconds) FROM "facts"."cut"'
        until(lambda: counted(house.trace, query))
        with Book(stores.book) as book:
            (found,) = house.trace.server.ask(query)
            assert found["values"][0][1] == len(book.facts("heron", 0, 2**62, ["cut"]))
    finally:
        house.close()
