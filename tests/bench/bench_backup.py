"""What a backup costs a collector that goes on: a year's book of ten saws and so many days of their trace.

Run: ``python -m tests.bench.bench_backup [folder [days]]``; a folder keeps the filled stores for the next run. A process
of its own commits four times a second to trace and book as a collector does, and clocks each commit: first beside
nothing, then beside a backup.
"""

from __future__ import annotations

import multiprocessing
import shutil
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from collector.backup.archive import check
from collector.backup.make import make_backup
from collector.backup.restore import restore
from collector.book.book import Book
from collector.book.entries import NowEntry, SawCommit
from collector.facts import State
from collector.signals import Series, Trace
from collector.trace.sqlite import SqliteTrace
from tests.bench.bench_trace import day
from tests.bench.bench_wall import DAY, NOON, SAWS, fill

if TYPE_CHECKING:
    from multiprocessing.synchronize import Event

    from numpy.typing import NDArray

PACK = 100_000 * np.arange(10, dtype=np.int64)


def moved(trace: Trace, by: int) -> Trace:
    return Trace(*(Series(series.t + by, series.v) for series in trace.series()))


def collect(place: Path, stop: Event, out: multiprocessing.Queue[NDArray[np.float64]]) -> None:
    """Commits packs of ten saws until it is stopped; gives the seconds of each."""
    spent, at = [], NOON
    with SqliteTrace(place / "trace.db") as trace, Book(f"sqlite:///{place}/book.db") as book:
        while not stop.is_set():
            begun = time.perf_counter()
            for saw in SAWS:
                series = Series(at + PACK, np.full(10, 3300, np.int32))
                trace.write(saw, Trace(series, *Trace.empty().series()[1:]))
            trace.commit()
            now = [NowEntry(s, at, State.STANDBY, at, 0, True, None, True, 0) for s in SAWS]
            book.commit([SawCommit(n.saw, now=n) for n in now])
            at += 1_000_000
            spent.append(time.perf_counter() - begun)
            time.sleep(max(0.0, 0.25 - spent[-1]))
    out.put(np.array(spent))


def beside(place: Path, work) -> tuple[float, NDArray[np.float64]]:
    """Seconds of the work, and of each commit beside it."""
    stop, out = multiprocessing.Event(), multiprocessing.Queue()
    writer = multiprocessing.Process(target=collect, args=(place, stop, out), daemon=True)  # ends with this one
    writer.start()
    time.sleep(1)
    begun = time.perf_counter()
    work()
    took = time.perf_counter() - begun
    time.sleep(max(0.0, 2 - took))
    stop.set()
    spent = out.get()
    writer.join()
    return took, spent


def main(folder: str | None = None, days: int = 60, book_days: int = 365, idle: float = 8) -> None:
    with tempfile.TemporaryDirectory() as temporary:
        place = Path(folder or temporary)
        place.mkdir(exist_ok=True)
        if not (place / "book.db").exists():
            fill(f"sqlite:///{place}/book.db", book_days)
            one = day(np.random.default_rng(3))
            with SqliteTrace(place / "trace.db") as trace:
                for n in range(days):
                    for saw in SAWS:
                        trace.write(saw, moved(one, n * DAY - days * DAY))
                    trace.commit()
        sizes = {name: (place / name).stat().st_size / 1e6 for name in ("book.db", "trace.db")}
        print(f"book {sizes['book.db']:.0f} MB, trace {sizes['trace.db']:.0f} MB")
        archive = place / "a.zip"

        def backup() -> None:
            archive.unlink(missing_ok=True)

            def told(said: str, /, **values: object) -> None:
                print(f"  {said.format(**values)}")

            make_backup(place / "trace.db", f"sqlite:///{place}/book.db", archive, site="x", program="0", told=told)

        for name, work in (("nothing", lambda: time.sleep(idle)), ("backup", backup)):
            took, spent = beside(place, work)
            p50, p99, most = np.percentile(spent, [50, 99, 100]) * 1000
            print(f"commits beside {name:8s} median {p50:6.1f} ms   p99 {p99:6.1f} ms   longest {most:6.1f} ms")
        print(f"backup: {took:.1f} s, {archive.stat().st_size / 1e6:.0f} MB")
        begun = time.perf_counter()
        check(archive)
        print(f"every checksum: {time.perf_counter() - begun:.1f} s")
        shutil.rmtree(place / "restored", ignore_errors=True)
        begun = time.perf_counter()
        restore(archive, place / "restored" / "trace.db", f"sqlite:///{place}/restored/book.db")
        print(f"restore: {time.perf_counter() - begun:.1f} s")
        shutil.rmtree(place / "restored")


@pytest.mark.bench
def test_a_backup_beside_a_collector(tmp_path):
    main(str(tmp_path), days=1, book_days=4, idle=2)


if __name__ == "__main__":
    main(*sys.argv[1:2], *map(int, sys.argv[2:3]))
