"""How long every page, and what its scripts ask for, takes with a year of ten saws in the book, blades and tasks too.

Run: ``python -m tests.bench.bench_pages [folder]``. A folder keeps the filled book for the next run (`bench_report` can
use it too). Each is asked for by somebody who signed in on this computer; *cold*: a commit touched all ten saws since the
last time; *warm*: nothing changed. Processor time is what other work on the computer does not lengthen.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np
import pytest

from api.app import close_api, reporting_of, tending_of
from api.door.guest import Visitors
from api.keeping import Keeper
from collector.book.book import Book
from collector.trace.sqlite import SqliteTrace
from dashboard.app import create_app
from tests.bench.bench_wall import DAY, NOON, SITE, Clock, fill, spent, told, touch

_LOGBOOK_DAY = "from=2026-03-02T00:00:00Z&to=2026-03-02T15:29:00Z"
ASKED = {
    "wall": "/tv",
    "wall, its numbers": "/api/v1/wall",
    "start": "/",
    "a saw on the phone": "/saw/saw-1",
    "a saw on the phone, its numbers": "/api/v1/saws/saw-1/at-hand",
    "maintenance": "/maintenance",
    "maintenance, its list": "/api/v1/maintenance",
    "alerts": "/alerts",
    "alerts, its list": "/api/v1/alerts",
    "blades": "/blades",
    "blades, their list": "/api/v1/blades",
    "report of the running week": "/reports?period=2026-W10",
    "report of a month": "/reports?period=2026-02",
    "report of a year": "/reports?period=2025-03-03..2026-03-02",
    "logbook": "/logbook/saw-1",
    "logbook, a day's cuts": f"/api/v1/saws/saw-1/cuts?{_LOGBOOK_DAY}",
    "logbook, a day's trace": f"/api/v1/saws/saw-1/trace?{_LOGBOOK_DAY}&points=1500",
    "setup": "/setup/saw-1",
}


def measure(url: str, trace: SqliteTrace, times: int) -> dict[str, float]:
    """p95 [ms] of each; prints the table."""
    app = create_app(SITE, url, trace, "mqtt://localhost", clock=Clock(), visitors=Visitors.LOCAL)
    client, book = app.test_client(), Book(url)
    Keeper(reporting_of(app).sums).round()
    tending = tending_of(app)
    tending.begin(NOON - 364 * DAY)

    p95s = {}
    for name, path in ASKED.items():

        def ask(path: str = path) -> None:
            answer = client.get(path)
            assert answer.status_code == 200, (path, answer.status_code, answer.text[:300])

        first = spent(ask, 1)[0]
        print(
            f"  {name:34s} first {first[0]:8.1f} ms, processor {first[1]:8.1f} ms; {len(client.get(path).data):8,} bytes"
        )
        for how, before in (("warm", lambda: None), ("cold", lambda: touch(book))):
            ms = spent(ask, times, before)
            p95s[f"{name}, {how}"] = float(np.percentile(ms[:, 0], 95))
            worst = np.percentile(ms[:, 1], 95)
            print(f"  {'':34s} {how}  {told(ms)}, its p95 {worst:7.2f} ms", flush=True)
    book.close()
    close_api(app)
    return p95s


def main(folder: str | None = None, *, days: int = 365, times: int = 40) -> dict[str, float]:
    """Fill what is missing and measure."""
    with tempfile.TemporaryDirectory() as temporary:
        place = Path(folder or temporary)
        place.mkdir(exist_ok=True)
        path = place / f"years-{days // 365 or 1}-{days if days < 365 else 365}.db"
        if not path.exists():
            fill(f"sqlite:///{path}", days)
        print(f"{days} days of ten saws: {path.stat().st_size / 1e6:.0f} MB")
        trace = SqliteTrace(place / "trace.db")
        try:
            return measure(f"sqlite:///{path}", trace, times)
        finally:
            trace.close()


@pytest.mark.bench
def test_every_page_with_a_book_of_years(tmp_path):
    assert main(str(tmp_path), days=30, times=5)


if __name__ == "__main__":
    main(*sys.argv[1:2])
