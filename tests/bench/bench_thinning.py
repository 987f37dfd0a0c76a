"""How long thinning makes a collector wait: ten saws whose readings of some weeks have all aged at once.

Run: ``python -m tests.bench.bench_thinning [days]``. In life ten days of a saw age each day; here all of them do, so that
there are enough steps. What is clocked is a step, for which the collector's lock is held.
"""

from __future__ import annotations

import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from collector.trace.sqlite import SqliteTrace
from collector.trace.thinning import Ages, Thinner
from tests.bench.bench_backup import moved
from tests.bench.bench_trace import EVER, NOW, day
from tests.bench.bench_wall import DAY, SAWS


def main(days: int = 30) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "trace.db")
        one = day(np.random.default_rng(3))
        store = SqliteTrace(path)
        for n in range(days):
            for saw in SAWS:
                store.write(saw, moved(one, n * DAY))
            store.commit()
        store.close()
        full = path.stat().st_size
        spent: list[float] = []

        @contextmanager
        def held():
            begun = time.perf_counter()
            yield
            spent.append(time.perf_counter() - begun)

        with SqliteTrace(path) as store:
            begun = time.perf_counter()
            Thinner(store, Ages(1, 0), held, clock=lambda: NOW + (days + 2) * DAY).round()
            took = time.perf_counter() - begun
            kept = sum(len(m) for saw in SAWS for m in store.minutes(saw, *EVER).values())
        p50, p99, most = np.percentile(spent, [50, 99, 100]) * 1000
        print(f"{days} days of {len(SAWS)} saws, {full / 1e6:.1f} MB -> {path.stat().st_size / 1e6:.1f} MB")
        print(f"a minute of a signal takes {path.stat().st_size / kept:.2f} bytes")
        print(f"{len(spent)} steps in {took:.1f} s: median {p50:.1f} ms   p99 {p99:.1f} ms   longest {most:.1f} ms")


@pytest.mark.bench
def test_thinning():
    main(1)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:2]))
