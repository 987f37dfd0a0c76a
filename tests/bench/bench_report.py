"""How long wall and reports take with 1, 2 and 5 years of ten saws in the book, and what keeping the sums costs.

Run: ``python -m tests.bench.bench_report [folder [years …]]``. A folder keeps the filled books for the next run.

*cold*: a commit touched all ten saws since the last time. *warm*: nothing changed. *direct*: the same report reckoned from
the facts, without kept sums; its numbers are compared with those of the kept ones.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pytest

from api.answers.calendar import bucket_edges
from api.app import close_api, create_api, reporting_of
from api.door.guest import Visitors
from api.keeping import Keeper
from collector.book.book import Book
from collector.trace.sqlite import SqliteTrace
from tests.bench.bench_wall import DAY, NOON, SAWS, SITE, Clock, fill, spent, told, touch

ASKED = {
    "wall": "/api/v1/wall",
    "this week": "/api/v1/report?period=2026-W10",
    "a month": "/api/v1/report?period=2026-02",
    "a year": "/api/v1/report?period=2025-03-03..2026-03-02",
    "a year against the one before": "/api/v1/report?period=2025-03-03..2026-03-02&against=before",
    "one saw, a year by week": "/api/v1/saws/saw-1/utilisation?from=2025-03-03T00:00:00Z&to=2026-03-03T00:00:00Z&by=week",
}


def measure(url: str, trace: SqliteTrace, days: int, times: int) -> dict[str, float]:
    app = create_api(url, trace, SITE, clock=Clock(), visitors=Visitors.LOCAL)
    client, book = app.test_client(), Book(url)
    sums = reporting_of(app).sums
    begun = time.perf_counter()
    kept = Keeper(sums).round()
    if kept:
        print(f"  keeping {kept:,} sums of a day and saw: {(time.perf_counter() - begun) / kept * 1000:.1f} ms each")

    p95s = {}
    for name, path in ASKED.items():

        def ask(path: str = path) -> None:
            assert client.get(path).status_code == 200

        ask()
        for how, before in (("warm", lambda: None), ("cold", lambda: touch(book))):
            ms = spent(ask, times, before)
            p95s[f"{name}, {how}"] = float(np.percentile(ms[:, 0], 95))
            print(f"  {name:32s} {how}  {told(ms)}")
    edges = bucket_edges(NOON - min(days - 1, 364) * DAY, NOON, "month", SITE.tz)
    begun = time.perf_counter()
    direct = [sums.measures(s, edges, kept=False) for s in SAWS]
    took = (time.perf_counter() - begun) * 1000
    assert all(np.array_equal(d, sums.measures(s, edges)) for d, s in zip(direct, SAWS, strict=True))
    print(f"  a year reckoned from the facts, ten saws: {took:.0f} ms; the same numbers as from kept sums")
    book.close()
    close_api(app)
    return p95s


def main(folder: str | None = None, *years: str, days: int = 365, times: int = 40) -> None:
    with tempfile.TemporaryDirectory() as temporary:
        place = Path(folder or temporary)
        place.mkdir(exist_ok=True)
        trace = SqliteTrace(place / "trace.db")
        p95s: dict[int, dict[str, float]] = {}
        for n in [int(y) for y in years] or [1, 2, 5]:
            path = place / f"years-{n}-{days}.db"
            if not path.exists():
                fill(f"sqlite:///{path}", n * days)
            print(f"{n} x {days} days of ten saws: {path.stat().st_size / 1e6:.0f} MB")
            p95s[n] = measure(f"sqlite:///{path}", trace, n * days, times)
        first, *rest = p95s
        for name, p95 in p95s[first].items():
            growth = "   ".join(f"{n} years: {p95s[n][name] / p95:.2f} times" for n in rest)
            print(f"p95 {name:38s} {p95:7.1f} ms   {growth}")
        trace.close()


@pytest.mark.bench
def test_wall_and_reports_with_years_of_history(tmp_path):
    main(str(tmp_path), "1", "2", days=30, times=5)


if __name__ == "__main__":
    main(*sys.argv[1:])
