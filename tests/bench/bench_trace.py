"""What the trace costs on disk and in time. Run: ``pytest -m bench tests/bench/bench_trace.py``."""

import io
import sqlite3
import time
from itertools import pairwise

import numpy as np
import pytest

from collector.signals import Series, Trace
from collector.trace.blobs import decode, encode
from collector.trace.sqlite import BLOB_READINGS, SqliteTrace

NOW = 1_772_434_800_000_000
EVER = (0, 1 << 60)


def running(rng, start, count):
    """Motor current at 10 Hz with 3 ms jitter, idle and cuts, noise of 0.05 A, resolution 0.01 A."""
    t = start + (np.arange(count) * 100 + np.rint(rng.normal(0, 3, count)).astype(np.int64)) * 1000
    lengths = rng.integers(30, 150, count // 30 + 2)
    load = np.repeat(np.where(np.arange(len(lengths)) % 2, rng.integers(1500, 5000, len(lengths)), 0), lengths)[:count]
    v = np.rint((3300 + load + rng.normal(0, 50, count)) / 10) * 10
    return Series(t.astype(np.int64), v.astype(np.int32))


def day(rng):
    """A shift of 8 h in which the motor runs two minutes in three; then 16 h with one sample in 10 s."""
    parts = []
    for minute in range(0, 480, 3):
        parts.append(running(rng, NOW + minute * 60_000_000, 1200))
        off = NOW + (minute + 2) * 60_000_000 + np.arange(6, dtype=np.int64) * 10_000_000
        parts.append(Series(off + 200_000, np.zeros(6, np.int32)))
    off = NOW + 8 * 3_600_000_000 + np.arange(16 * 360, dtype=np.int64) * 10_000_000 + 500_000
    parts.append(Series(off, np.zeros(len(off), np.int32)))
    motor = Series.of(np.concatenate([p.t for p in parts]), np.concatenate([p.v for p in parts]))
    t = NOW + np.arange(8640, dtype=np.int64) * 10_000_000 + rng.integers(0, 9000, 8640) * 1000
    door = Series(t, np.ones(len(t), np.int32))
    lock = Series.of(t, (np.arange(len(t)) // 7 % 2).astype(np.int32))
    station = Series.of(t[::50], (np.arange(len(t[::50])) % 5).astype(np.int32))
    return Trace(motor, lock, station, door)


def size(path):
    return sum(p.stat().st_size for p in path.parent.glob(path.name + "*"))


def clock(work):
    start = time.perf_counter()
    result = work()
    return time.perf_counter() - start, result


def table(capsys, head, rows):
    with capsys.disabled():
        print("\n" + head)
        for what, figure, unit in rows:
            print(f"  {what:66} {figure:12.3f} {unit}")


@pytest.mark.bench
def test_blobs(capsys):
    series = running(np.random.default_rng(1), NOW, 100 * BLOB_READINGS)
    pieces = [
        Series(series.t[i : i + BLOB_READINGS], series.v[i : i + BLOB_READINGS])
        for i in range(0, len(series), BLOB_READINGS)
    ]
    packing, blobs = clock(lambda: [encode(p) for p in pieces])
    unpacking, _ = clock(lambda: [decode(b) for b in blobs])
    squeezed = io.BytesIO()
    numpy, _ = clock(lambda: np.savez_compressed(squeezed, t=series.t, v=series.v))
    ours, theirs = sum(map(len, blobs)) / len(series), len(squeezed.getvalue()) / len(series)
    rows = [
        ("bytes a reading", ours, "B"),
        ("encode", len(series) / packing / 1e6, "M/s"),
        ("decode", len(series) / unpacking / 1e6, "M/s"),
        ("numpy.savez_compressed, bytes a reading", theirs, "B"),
        ("numpy.savez_compressed, encode", len(series) / numpy / 1e6, "M/s"),
        ("ratio of bytes, ours to numpy's", ours / theirs, ""),
    ]
    table(capsys, "blobs of motor current, 10 Hz", rows)


@pytest.mark.bench
def test_a_day_of_one_saw_as_it_comes(capsys, tmp_path):
    whole = day(np.random.default_rng(2))
    edges = [NOW + s * 1_000_000 for s in range(8 * 3600 + 1)]
    edges += [NOW + s * 1_000_000 for s in range(8 * 3600 + 10, 24 * 3600 + 10, 10)]
    packs = [p for p in (whole.between(a, b) for a, b in pairwise(edges)) if len(p)]
    packs.append(whole.between(edges[-1], 1 << 60))
    store = SqliteTrace(tmp_path / "trace.db")
    costs = []
    for pack in packs:
        store.write("heron", pack)
        costs.append(clock(store.commit)[0] * 1e3)
    live, found = clock(lambda: store.read("heron", *EVER))
    assert found.same(whole)
    hour = [
        clock(lambda s=s: store.read("heron", NOW + s * 10**9, NOW + s * 10**9 + 3_600_000_000))[0] for s in range(28)
    ]
    minute = [
        clock(lambda s=s: store.read("heron", NOW + s * 10**9, NOW + s * 10**9 + 60_000_000))[0] for s in range(28)
    ]
    store.close()
    plain = sqlite3.connect(tmp_path / "rows.db")
    plain.execute(
        "CREATE TABLE r (saw INTEGER, signal INTEGER, t INTEGER, v INTEGER, PRIMARY KEY (saw, signal, t)) WITHOUT ROWID"
    )
    with plain:
        for i, s in enumerate(whole.series()):
            plain.executemany(
                "INSERT INTO r VALUES (1, ?, ?, ?)",
                ((i, t, v) for t, v in zip(s.t.tolist(), s.v.tolist(), strict=True)),
            )
    plain.close()
    ours, theirs = size(tmp_path / "trace.db") / len(whole), size(tmp_path / "rows.db") / len(whole)
    rows = [
        ("readings", len(whole), ""),
        ("commits", len(packs), ""),
        ("on disk after closing, bytes a reading", ours, "B"),
        ("one row a reading, bytes a reading", theirs, "B"),
        ("ratio of bytes, ours to one row a reading", ours / theirs, ""),
        ("commit of one pack, median", float(np.median(costs)), "ms"),
        ("commit of one pack, 99 of 100", float(np.percentile(costs, 99)), "ms"),
        ("read the whole day", len(whole) / live / 1e6, "M/s"),
        ("read an hour, median", float(np.median(hour)) * 1e3, "ms"),
        ("read a minute, median", float(np.median(minute)) * 1e3, "ms"),
    ]
    table(capsys, "a day of one saw, a pack a second, each committed", rows)


@pytest.mark.bench
def test_history_of_ten_saws_in_bulk(capsys, tmp_path):
    rng = np.random.default_rng(4)
    days = [day(rng) for _ in range(10)]
    count = sum(map(len, days))
    store = SqliteTrace(tmp_path / "trace.db")

    def write():
        for i, whole in enumerate(days):
            store.write(f"saw-{i}", whole)
        store.commit()

    writing, _ = clock(write)
    reading, _ = clock(lambda: [store.read(f"saw-{i}", *EVER) for i in range(10)])
    again, _ = clock(write)
    store.close()
    rows = [
        ("readings", count, ""),
        ("write and commit", count / writing / 1e6, "M/s"),
        ("read", count / reading / 1e6, "M/s"),
        ("write all of it once more (nothing changes)", count / again / 1e6, "M/s"),
        ("on disk after closing, bytes a reading", size(tmp_path / "trace.db") / count, "B"),
    ]
    table(capsys, "a day of ten saws at once", rows)
