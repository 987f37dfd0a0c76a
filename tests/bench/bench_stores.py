"""Both stores of a trace side by side: a day of ten saws written, packed, and read as pages read it.

Run: ``python -m tests.bench.bench_stores``. InfluxDB is a real 1.6 on this computer, read directly, not through the tests'
front. Its bytes are those of its TSM files once its log has become files; a database's fixed files are told apart. Times are
medians, and in brackets the fastest.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest

from collector.signals import Series, Trace
from collector.trace.influx import InfluxTrace
from collector.trace.sqlite import SqliteTrace
from collector.trace.thinning import Ages, Thinner
from tests.bench.bench_trace import NOW, day
from tests.trace.influx import Influx
from tests.waiting import until

HOUR = 3_600_000_000
DAY = 24 * HOUR
WIDTHS = {"an hour, readings": None, "an hour, 1500 slices": HOUR, "a day, 1500 slices": DAY}


def spent(work, times: int) -> tuple[float, float]:
    """Milliseconds: the median, and the fastest, which other work on the computer disturbed least."""
    found = []
    for n in range(times):
        begun = time.perf_counter()
        work(n)
        found.append(time.perf_counter() - begun)
    return float(np.median(found)) * 1000, min(found) * 1000


def measure(store, write, size, count: int, times: int) -> dict[str, float | tuple[float, float]]:
    """Figures of one store; ``write`` fills it, ``size`` tells its bytes."""
    found: dict[str, float | tuple[float, float]] = {}
    begun = time.perf_counter()
    write(store)
    found["written, M readings/s"] = count / (time.perf_counter() - begun) / 1e6
    found["on disk, bytes a reading"] = size() / count
    saw = "saw-1"
    found["a live pack of ten saws, committed, ms"] = spent(lambda n: (live(store, n), store.commit()), times)
    for name, span in WIDTHS.items():

        def read(n: int, span=span) -> None:
            at = NOW + n % 7 * HOUR
            if span is None:
                assert len(store.read(saw, at, at + HOUR)) > 1000
            else:
                at = NOW if span == DAY else at
                assert len(store.slices(saw, at, at + span, span // 1500))

        found[f"{name}, ms"] = spent(read, times)
    Thinner(store, Ages(1, 0), clock=lambda: NOW + 4 * DAY).round()
    found["a day's minutes, ms"] = spent(lambda _: store.minutes(saw, NOW, NOW + DAY), times)
    return found


def told(figure: float | tuple[float, float]) -> str:
    return f"{figure:.2f}" if isinstance(figure, float) else f"{figure[0]:.1f} ({figure[1]:.1f})"


def live(store, n: int) -> None:
    t = NOW + 2 * DAY + n * 1_000_000 + np.arange(10, dtype=np.int64) * 100_000
    for i in range(10):
        store.write(f"saw-{i}", Trace(Series(t, np.full(10, 3300, np.int32)), *Trace.empty().series()[1:]))


def main(times: int = 40, saws: int = 10) -> None:
    rng = np.random.default_rng(4)
    days = [day(rng) for _ in range(saws)]
    count = sum(map(len, days))

    def write(store) -> None:
        for i, whole in enumerate(days):
            store.write(f"saw-{i}", whole)
            store.commit()

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "trace.db")
        with SqliteTrace(path) as store:
            files = lambda: sum(p.stat().st_size for p in path.parent.glob("trace.db"))  # noqa: E731
            figures = [
                measure(
                    store,
                    write,
                    lambda: (store._db.execute("PRAGMA wal_checkpoint(TRUNCATE)"), files())[1],
                    count,
                    times,
                )
            ]
        (Path(folder) / "influx").mkdir()
        server = Influx(Path(folder, "influx"), cold="2s")
        try:
            url = f"http://127.0.0.1:{server.port}"
            with InfluxTrace(server.url, "kerfbook/raw", days=0, minute_days=0) as writer:
                writer.prepare()
                with InfluxTrace(url, "kerfbook/raw", days=0) as reader:
                    # Only the front knows the newer write path; readings need no front.
                    writer.read, writer.slices, writer.minutes = reader.read, reader.slices, reader.minutes  # type: ignore[method-assign]

                    def size() -> int:
                        data = Path(folder, "influx")
                        until(lambda: not any(p.stat().st_size for p in (data / "wal").rglob("*.wal")), 120)
                        return sum(p.stat().st_size for p in (data / "data").rglob("*.tsm"))

                    figures.append(measure(writer, write, size, count, times))
                fixed = sum(
                    p.stat().st_size
                    for p in Path(folder, "influx", "data").rglob("*")
                    if "_series" in p.parts and p.is_file()
                )
        finally:
            server.close()
    print(f"{f'a day of {saws} saws, {count:,} readings':42} {'SQLite':>16} {'InfluxDB':>16}")
    for name in figures[0]:
        print(f"  {name:40}", *(f"{told(of[name]):>16}" for of in figures))
    print(f"  (InfluxDB's fixed files of a database: {fixed / 1e6:.0f} MB)")


@pytest.mark.bench
def test_both_stores():
    main(5, 2)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:2]))
