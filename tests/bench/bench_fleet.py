"""What a message costs as saws grow in number, on embedded stores and on servers, and where the time goes.

    PYTHONPATH=. python -m pytest tests/bench/bench_fleet.py -m bench -s

No broker: messages are taken and settled in this process, in groups of a quarter of a second of the fleet's messages
(at most 4096), as a collector that keeps up settles them. Saws start within ten seconds and not at one moment, for a
detector works in blocks of 3.2 s from its start. CPU time of this process; the servers' own is not in it.
"""

from __future__ import annotations

import gc
import os
import time

import psutil
import pytest

from collector.book import Book, SawEntry
from collector.book.leases import Leases
from collector.facts import SECOND
from collector.ingest import Ingest
from collector.signals import Series, Trace
from collector.trace.place import InfluxPlace, open_trace
from collector.wire.pack import write_pack
from dashboard.memory import collect_seldom
from tests.bench.shares import Shares, of_a_collector
from tests.ingest.conftest import BOX, T0, motor
from tests.trace.influx import Influx

pytestmark = [pytest.mark.bench, pytest.mark.real]

SHORT = os.environ.get("KERFBOOK_BENCH") == "short"
FLEETS = (10, 200) if SHORT else (10, 1000, 5000)
MESSAGES = 2000 if SHORT else 10_000
STARTS_SECONDS = 10
WARM_SECONDS = STARTS_SECONDS + 4  # before the clock starts


def packs(count: int) -> list[bytes]:
    """Packs of a second at 10 Hz with both switches: a motor that runs, and cuts for 12 s in 30."""
    levels = [(1, 0.0), (20, 3.2)] + [(12, 6.4), (18, 3.2)] * (count // 30 + 1)
    whole = motor(levels)
    out = []
    for i in range(count):
        start = T0 + i * SECOND
        switch = Series.of([start + 40_000], [1])
        part = whole.motor.between(start, start + SECOND)
        out.append(write_pack(BOX, Trace(part, switch, Series.empty(), switch)))
    return out


@pytest.fixture(params=["sqlite", "servers"])
def stores(request, tmp_path):
    """Makes a book's address and a trace, both empty."""
    if request.param == "sqlite":
        yield request.param, f"sqlite:///{tmp_path}/book.db", tmp_path / "trace.db"
        return
    postgres = request.getfixturevalue("postgres")
    (tmp_path / "influx").mkdir()
    influx, url = Influx(tmp_path / "influx"), postgres.book()
    yield request.param, url, InfluxPlace(influx.url, "kerfbook/raw", days=0)
    postgres.drop(url)
    influx.close()


@pytest.mark.parametrize("saws", FLEETS)
def test_cost_of_a_message_as_the_fleet_grows(stores, saws, capsys):
    name, url, place = stores
    seconds = max(WARM_SECONDS + 4, WARM_SECONDS + MESSAGES // saws)
    payloads = packs(seconds)
    topics = [f"kerfbook/tern-point/saw-{n}/readings" for n in range(saws)]
    with Book(url) as book, open_trace(place) as trace:
        leases = Leases(book.engine, "bench")
        leases.start()
        entries = [SawEntry(f"saw-{n}") for n in range(saws)]
        ingest = Ingest(trace, book, entries, None, lambda: T0, site="tern-point", leases=leases)
        size = min(4096, max(10, saws // 4))
        before = gc.get_threshold()
        collect_seldom(saws)
        gc.collect()
        process = psutil.Process()
        empty = process.memory_info().rss
        shares, wall, cpu, messages, waits = Shares(), 0.0, 0.0, 0, []
        places = of_a_collector(trace, book)
        for second in range(seconds):
            if second == WARM_SECONDS:
                full = process.memory_info().rss
            with shares.watching(places if second >= WARM_SECONDS else []):
                for i in range(0, saws, size):
                    start, began = time.perf_counter(), time.process_time()
                    some = topics[i : i + size]
                    for n, topic in enumerate(some, i):
                        its = second - n * 7 % STARTS_SECONDS
                        if its >= 0:
                            ingest.take(topic, payloads[its], T0 + (its + 1) * SECOND, False, None)
                    ingest.settle()
                    if second >= WARM_SECONDS:
                        waits.append(time.perf_counter() - start)
                        wall, cpu, messages = wall + waits[-1], cpu + time.process_time() - began, messages + len(some)
        gc.set_threshold(*before)
        assert ingest.counts.refused == 0
        assert book.now("saw-0").at > T0
        leases.close()
    parts = "  ".join(f"{what} {100 * spent / cpu:.0f} %" for what, spent in sorted(shares.cpu.items()))
    with capsys.disabled():
        print(
            f"\n{name:<8} {saws:>5} saws  groups of {size:>4}  {messages / wall:6.0f} messages/s  "
            f"{1e6 * cpu / messages:5.0f} µs CPU, {1e6 * wall / messages:5.0f} µs wall each  "
            f"slowest group {max(waits):.2f} s  {(full - empty) / saws / 1e3:5.1f} kB a saw\n         of CPU: {parts}"
        )
