"""The trace in InfluxDB: the laws of every store, and what a server can do to a writer."""

import itertools
import subprocess
import sys
import time
from dataclasses import replace

import pytest

from collector.trace.influx import MARGIN_DAYS, InfluxTrace
from collector.trace.influx_server import LINES
from collector.trace.slices import DAY_US, minutes_of
from collector.trace.store import TraceError, TraceStore
from tests.trace.stores import EVER, NOW, Laws, motor

pytestmark = pytest.mark.real
numbers = itertools.count()


@pytest.fixture
def bucket():
    return f"kerfbook{next(numbers)}/raw"


@pytest.fixture
def store(shared_influx, bucket):
    shared_influx.answers.clear()
    with InfluxTrace(shared_influx.url, bucket, days=0, minute_days=0) as store:
        store.prepare()
        yield store


class TestInflux(Laws):
    @pytest.fixture(autouse=True)
    def place(self, shared_influx, bucket):
        shared_influx.answers.clear()
        self.url, self.bucket = shared_influx.url, bucket

    def open(self):
        opened = InfluxTrace(self.url, self.bucket, days=0, minute_days=0)
        opened.prepare()
        store: TraceStore = opened
        return store


def test_an_unwell_server_is_asked_again_by_the_client_itself(shared_influx, store):
    shared_influx.answers = [503]
    written = motor(NOW, 100)
    store.write("heron", written)
    store.commit()
    assert store.read("heron", *EVER).same(written)


@pytest.mark.parametrize("status", [400, 401, 404])
def test_a_refused_commit_says_why_and_keeps_what_was_written(shared_influx, store, status):
    shared_influx.answers = [status]
    written = motor(NOW, 100)
    store.write("heron", written)
    with pytest.raises(TraceError, match=f"/api/v2/write answers {status}: .*so the test wants it.*; see"):
        store.commit()
    store.commit()
    assert store.read("heron", *EVER).same(written)


def test_a_commit_that_broke_off_midway_is_whole_after_the_next_and_the_first_values_stay(shared_influx, store):
    written = motor(NOW, 2 * LINES)
    shared_influx.answers = [0, 400]
    store.write("heron", written)
    with pytest.raises(TraceError):
        store.commit()
    store.write("heron", motor(NOW, 2 * LINES, value=1))
    store.commit()
    assert store.read("heron", *EVER).same(written)


def test_an_answer_lost_on_its_way_changes_nothing(shared_influx, store):
    shared_influx.answers = [504]
    written = motor(NOW, 100)
    store.write("heron", written)
    store.commit()
    assert store.read("heron", *EVER).same(written)


def test_a_server_that_is_killed_and_comes_back_has_all_that_was_committed(shared_influx, store):
    before, after = motor(NOW, 1000), motor(NOW + 100_000_000, 1000)
    store.write("heron", before)
    store.commit()
    shared_influx.kill()
    store.write("heron", after)
    with pytest.raises(TraceError, match="503"):
        store.commit()
    shared_influx.start()
    store.commit()
    found = store.read("heron", *EVER)
    assert found.same(type(found)(*(type(a).of([*a.t, *b.t], [*a.v, *b.v]) for a, b in zip(
        before.series(), after.series(), strict=True))))  # fmt: skip


def test_what_is_older_than_the_server_keeps_holds_nothing_up(shared_influx, bucket):
    now = time.time_ns() // 1000
    with InfluxTrace(shared_influx.url, bucket, days=60) as store:
        store.prepare()
        old, new = motor(now - 90 * 86_400_000_000, 10), motor(now - 3_600_000_000, 10)
        store.write("heron", old)
        store.write("heron", new)
        store.commit()
        assert store.read("heron", *EVER).same(new)


def test_the_server_tells_what_it_can_do(shared_influx, bucket):
    with InfluxTrace(shared_influx.url, bucket, days=60) as store:
        before = store.server.abilities("motor")
        assert not before.reads or before.faults
        store.prepare()
        told = store.server.abilities("motor")
    assert (told.writes, told.reads, told.retention, told.faults) == (True, True, 60 + MARGIN_DAYS, ())
    assert told.version.startswith("1.")


def test_another_number_of_days_is_taken_over_by_the_server(shared_influx, bucket):
    for days in (60, 30, 0):
        with InfluxTrace(shared_influx.url, bucket, days=days) as store:
            store.prepare()
            assert store.server.abilities("motor").retention == (days + MARGIN_DAYS if days else 0)


def test_minutes_that_were_written_in_part_do_not_count_as_a_day_that_has_aged(shared_influx, store):
    held = minutes_of(motor(NOW // DAY_US * DAY_US, 86_000, step=1_000_000))
    doubled = {"motor": held["motor"], "door": replace(held["motor"]), "lock": held["motor"], "station": held["motor"]}
    shared_influx.answers = [0, 400]
    until = NOW // DAY_US * DAY_US + DAY_US
    with pytest.raises(TraceError):
        store.write_minutes("heron", doubled, until)
    assert store.complete_from("heron") == 0
    store.write_minutes("heron", doubled, until)
    assert store.complete_from("heron") == until
    assert all(m.same(held["motor"]) for m in store.minutes("heron", *EVER).values())


def test_a_server_without_the_write_path_is_told(shared_influx, bucket):
    with InfluxTrace(f"http://127.0.0.1:{shared_influx.port}", bucket) as store:
        store.prepare()
        told = store.server.abilities("motor")
    assert (told.writes, told.reads) == (False, True)
    assert "InfluxDB 1.8 or newer" in str(told.faults[0])


def test_no_server_is_a_fault_and_no_exception(bucket):
    with InfluxTrace("http://127.0.0.1:9", bucket) as store:
        assert "see that the server runs" in str(store.server.abilities("motor").faults[0])


@pytest.mark.parametrize("name", ["kerfbook", "/raw", "kerfbook/", 'a"b/raw'])
def test_a_bucket_of_another_form_is_refused(name):
    with pytest.raises(TraceError, match="database/policy"):
        InfluxTrace("http://127.0.0.1:9", name)


def test_embedded_stores_do_not_load_the_client():
    code = "import sys, dashboard.house; sys.exit('influxdb_client' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
