"""The trace in a SQLite file: the laws of every store, and what a file can suffer."""

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from collector.signals import Series, Trace, merge
from collector.trace import pieces
from collector.trace import sqlite as module
from collector.trace.sqlite import BLOB_READINGS, SqliteTrace
from collector.trace.store import TraceError, TraceStore
from tests.trace.stores import EVER, NOW, Laws, motor


class TestSqlite(Laws):
    @pytest.fixture(autouse=True)
    def place(self, tmp_path):
        self.path = tmp_path / "trace.db"

    def open(self):
        store: TraceStore = SqliteTrace(self.path)
        return store


@pytest.fixture
def path(tmp_path):
    return tmp_path / "trace.db"


def readings_of_blobs(path):
    with sqlite3.connect(path) as db:
        query = "SELECT first, last, readings FROM blob WHERE signal = 'motor' ORDER BY first"
        return db.execute(query).fetchall()


few = st.lists(st.tuples(st.integers(0, 60), st.integers(0, 3)), max_size=12).map(
    lambda pairs: Series.of([NOW + t for t, _ in pairs], [v for _, v in pairs])
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=60)
@given(st.lists(st.tuples(few, few, st.booleans()), max_size=25), st.integers(1, 9), st.integers(1, 20))
def test_small_blobs_hold_the_set_union_and_never_overlap(tmp_path_factory, writes, blob, hot):
    """The law again where every write touches the edge of some blob, with limits of a few readings."""
    path = tmp_path_factory.mktemp("small") / "trace.db"
    with pytest.MonkeyPatch.context() as patch, SqliteTrace(path) as store:
        patch.setattr(module, "BLOB_READINGS", blob)
        patch.setattr(pieces, "BLOB_READINGS", blob)
        patch.setattr(module, "HOT_READINGS", hot)
        patch.setattr(module, "HOT_ROWS", 3)
        given_traces = []
        for first, second, commit in writes:
            trace = Trace(first, second, Series.empty(), Series.empty())
            given_traces.append(trace)
            store.write("heron", trace)
            if commit:
                store.commit()
        assert store.read("heron", *EVER).same(merge(given_traces) if given_traces else Trace.empty())
        store.commit()
        assert store.read("heron", NOW + 5, NOW + 50).same(
            (merge(given_traces) if given_traces else Trace.empty()).between(NOW + 5, NOW + 50)
        )
        rows = readings_of_blobs(path)
        assert all(a[1] < b[0] for a, b in pairwise(rows))
        assert all(1 <= n <= blob for _, _, n in rows)


def test_a_steady_stream_makes_full_blobs(path):
    whole = motor(NOW, 50_000)
    with SqliteTrace(path) as store:
        for i in range(0, 50_000, 10):
            store.write("heron", whole.between(NOW + i * 100_000, NOW + (i + 10) * 100_000))
            store.commit()
        assert store.read("heron", *EVER).same(whole)
    sizes = [n for _, _, n in readings_of_blobs(path)]
    assert sizes[:-1] == [BLOB_READINGS] * (len(sizes) - 1)


def test_late_readings_leave_no_crumbs(path, monkeypatch):
    """Late readings again and again into one full blob must not leave a trail of tiny blobs."""
    monkeypatch.setattr(module, "HOT_ROWS", 1)  # each commit goes into blobs at once
    whole = motor(NOW, 3 * BLOB_READINGS, step=100_000)
    late = motor(NOW + 50_000, BLOB_READINGS, step=100_000)
    with SqliteTrace(path) as store:
        store.write("heron", whole)
        store.commit()
        order = np.random.default_rng(1).permutation(BLOB_READINGS // 32)
        for i in order.tolist():
            store.write("heron", late.between(NOW + i * 3_200_000, NOW + (i + 1) * 3_200_000))
            store.commit()
        assert store.read("heron", *EVER).motor.same(merge([whole, late]).motor)
    assert len(readings_of_blobs(path)) <= 8


def test_a_reader_in_another_object_sees_commits_and_nothing_else(path):
    with SqliteTrace(path) as writer, SqliteTrace(path, readonly=True) as reader:
        writer.write("heron", motor(NOW, 100))
        assert len(reader.read("heron", *EVER)) == 0
        writer.commit()
        assert len(reader.read("heron", *EVER)) == 102
        reader.write("heron", motor(NOW + 10**9, 1))
        with pytest.raises(TraceError, match="readonly"):
            reader.commit()


def test_a_second_writer_waits_and_both_are_kept(path):
    with SqliteTrace(path) as one, SqliteTrace(path) as two:
        for i in range(600):
            for store, saw in ((one, "heron"), (two, "heron"), (two, "plover")):
                store.write(saw, motor(NOW + i * 1_000_000 + (50_000 if store is two else 0), 10))
            one.commit()
            two.commit()
        assert len(one.read("heron", *EVER).motor) == 12_000
        assert len(one.read("plover", *EVER).motor) == 6_000


def test_threads_may_read_while_one_writes(path):
    whole = motor(NOW, 20_000)
    torn = []
    with SqliteTrace(path) as store:
        done = threading.Event()

        def look():
            while not done.is_set():
                found = store.read("heron", *EVER)
                if not found.same(whole.between(NOW, NOW + len(found.motor) * 100_000)):
                    torn.append(found)

        threads = [threading.Thread(target=look) for _ in range(3)]
        for thread in threads:
            thread.start()
        for i in range(0, 20_000, 100):
            store.write("heron", whole.between(NOW + i * 100_000, NOW + (i + 100) * 100_000))
            store.commit()
        done.set()
        for thread in threads:
            thread.join()
    assert torn == []


def test_the_disk_is_told_to_keep_every_commit(path):
    with SqliteTrace(path) as store:
        pragmas = [
            store._db.execute(f"PRAGMA {p}").fetchone()[0] for p in ("journal_mode", "synchronous", "auto_vacuum")
        ]
    assert pragmas == ["wal", 2, 2]  # 2 is FULL, 2 is INCREMENTAL


def test_a_time_that_no_blob_could_hold_is_not_taken(path):
    with SqliteTrace(path) as store, pytest.raises(ValueError, match="36 000 years"):
        store.write("heron", Trace(Series.of([1 << 61], [1]), Series.empty(), Series.empty(), Series.empty()))


class TestAFileThatIsWrong:
    def test_missing_for_a_reader(self, path):
        with pytest.raises(TraceError, match="no such trace file; start the collector first"):
            SqliteTrace(path, readonly=True)

    def test_empty_for_a_reader(self, path):
        path.touch()
        with pytest.raises(TraceError, match="still empty; start the collector first"):
            SqliteTrace(path, readonly=True)

    def test_in_no_folder(self, tmp_path):
        with pytest.raises(TraceError, match="the folder exists"):
            SqliteTrace(tmp_path / "none" / "trace.db")

    def test_no_database(self, path):
        path.write_bytes(b"a letter, not a database\n" * 100)
        with pytest.raises(TraceError, match="no trace file"):
            SqliteTrace(path)

    def test_a_database_of_something_else(self, path):
        db = sqlite3.connect(path)
        db.execute("CREATE TABLE other (x)")
        db.close()
        with pytest.raises(TraceError, match="no trace file of ours"):
            SqliteTrace(path)

    def test_a_newer_layout(self, path):
        SqliteTrace(path).close()
        db = sqlite3.connect(path)
        db.execute("PRAGMA user_version = 9")
        db.close()
        with pytest.raises(TraceError, match="layout 9"):
            SqliteTrace(path)

    def test_torn_in_the_middle(self, path):
        with SqliteTrace(path) as store:
            store.write("heron", motor(NOW, 100_000))
            store.commit()
        os.truncate(path, path.stat().st_size // 2)
        with pytest.raises(TraceError, match="damaged; restore it from a backup"), SqliteTrace(path) as store:
            store.read("heron", *EVER)

    def test_a_flipped_byte_in_a_blob(self, path):
        with SqliteTrace(path) as store:
            store.write("heron", motor(NOW, 5000))
            store.commit()
            row = store._db.execute("SELECT id, data FROM blob WHERE signal = 'motor'").fetchone()
            data = bytearray(row[1])
            data[1000] ^= 1
            store._db.execute("UPDATE blob SET data = ? WHERE id = ?", (bytes(data), row[0]))
            with pytest.raises(TraceError, match="checksum does not match; restore the file from a backup"):
                store.read("heron", *EVER)

    def test_a_commit_that_fails_is_kept_for_another_try(self, path):
        with SqliteTrace(path) as store:
            store.write("heron", motor(NOW, 10))
            store.commit()
            pages = store._db.execute("PRAGMA page_count").fetchone()[0]
            store._db.execute(f"PRAGMA max_page_count = {pages}")
            store.write("heron", motor(NOW + 10**9, 30_000))
            with pytest.raises(TraceError, match="free some space"):
                store.commit()
            store._db.execute("PRAGMA max_page_count = 1000000")
            store.commit()
        with SqliteTrace(path) as store:
            assert len(store.read("heron", *EVER).motor) == 30_010


# A child that commits ten readings at a time, and says each time how many are safe.
CHILD = """
import sys
from collector.trace.sqlite import SqliteTrace
from tests.trace.stores import NOW, motor
store = SqliteTrace(sys.argv[1])
begin = int(sys.argv[2])
whole = motor(NOW, 1_000_000)
for i in range(begin, 1_000_000, 10):
    store.write("heron", whole.between(NOW + i * 100_000, NOW + (i + 10) * 100_000))
    store.commit()
    print(i + 10, flush=True)
"""


@pytest.mark.real
def test_kill_9_at_any_moment_loses_nothing_that_was_committed(path):
    whole = motor(NOW, 1_000_000)
    rng = np.random.default_rng(9)
    safe = 0
    for _ in range(12):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(path), str(safe)],
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | {"PYTHONPATH": str(Path.cwd())},
        )
        # So many commits, and then any moment of the next ones: no matter how busy the computer is.
        said = [child.stdout.readline() for _ in range(int(rng.integers(100, 200)))]
        time.sleep(float(rng.uniform(0, 0.005)))
        child.send_signal(signal.SIGKILL)
        child.wait()
        said.extend(child.stdout)
        child.stdout.close()
        told = int([line for line in said if line.endswith("\n")][-1])
        with SqliteTrace(path) as store:
            found = store.read("heron", *EVER)
        safe = len(found.motor)
        assert safe in {told, told + 10}
        assert found.motor.same(whole.motor.between(NOW, NOW + safe * 100_000))
    assert safe > 10_000  # blobs were made in between
