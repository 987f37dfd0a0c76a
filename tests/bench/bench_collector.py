"""Messages a second from a real broker at QoS 1 to committed facts, beside a bare subscriber that does nothing.

    PYTHONPATH=. python -m pytest tests/bench/bench_collector.py -m bench -s

For the rate all messages wait in the broker before the clock starts, so neither publisher nor network limits anyone. For
the delay they are published at half of the collector's rate while it receives.
"""

from __future__ import annotations

import bisect
import os
import subprocess
import sys
import time
from itertools import accumulate

import numpy as np
import pytest

from collector.book import Book, SawEntry
from collector.detect.detector import derive
from collector.facts import SECOND
from collector.ingest import Ingest
from collector.signals import Series, Trace
from collector.trace.sqlite import SqliteTrace
from collector.wire.pack import write_pack
from tests.ingest.conftest import BOX, T0, motor
from tests.ingest.publisher import Publisher

pytestmark = [pytest.mark.bench, pytest.mark.real]

MESSAGES = int(os.environ.get("KERFBOOK_BENCH_MESSAGES", "12000"))
SAWS = 10
DELAY_SECONDS = 5


def minutes(count: int) -> list[Trace]:
    """Packs of a second at 10 Hz with both switches: a motor that runs, cuts for 12 s in 30, and rests."""
    levels = [(20, 0.0), (40, 3.2)] + [(12, 6.4), (18, 3.2)] * (count // 30 + 1) + [(40, 0.0)]
    whole = motor(levels)
    packs = []
    for i in range(count):
        start = T0 + i * SECOND
        switch = Series.of([start + 40_000], [1])
        packs.append(Trace(whole.motor.between(start, start + SECOND), switch, Series.empty(), switch))
    return packs


def messages() -> list[tuple[str, bytes]]:
    packs = minutes(MESSAGES // SAWS)
    payloads = [write_pack(BOX, pack) for pack in packs]
    return [(f"kerfbook/tern-point/saw-{n}/readings", payload) for payload in payloads for n in range(SAWS)]


def drained(broker, what: str, protocol: str, folder) -> dict[str, float]:
    """Runs one subscriber in a process of its own until it has everything; its figures."""
    command = [sys.executable, "-m", "tests.bench.drain", what, protocol, str(broker.port), str(folder), str(MESSAGES)]
    out = subprocess.run(command, capture_output=True, text=True, env=os.environ | {"PYTHONPATH": "."}, timeout=300)
    assert out.returncode == 0, out.stderr
    return figures(out.stdout)


def figures(printed: str) -> dict[str, float]:
    wall, cpu, rss = map(float, printed.split()[-3:])
    return {"wall": wall, "cpu": cpu, "rss": rss}


def delayed(broker, what: str, protocol: str, folder, batch: list[tuple[str, bytes]], rate: float) -> list[float]:
    """Delays (s) from publish to read or committed, the messages being published at a rate while it runs."""
    command = [
        sys.executable,
        "-m",
        "tests.bench.drain",
        what,
        protocol,
        str(broker.port),
        str(folder),
        str(len(batch)),
    ]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=os.environ | {"PYTHONPATH": "."}
    ) as process:
        time.sleep(3)  # it connects; a message that comes sooner would only wait for it
        published: list[float] = []
        with Publisher(broker) as box:
            start = time.monotonic()
            for i, (topic, payload) in enumerate(batch):
                if (early := start + i / rate - time.monotonic()) > 0.001:
                    time.sleep(early)
                published.append(time.monotonic())
                box.client.publish(topic, payload, qos=1)
            out, _ = process.communicate(timeout=300)
    assert process.returncode == 0
    marks = [line.split() for line in out.splitlines()[:-1]]
    counts = list(accumulate(int(count) for _, count in marks))
    return [float(marks[bisect.bisect_right(counts, i)][0]) - at for i, at in enumerate(published)]


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_messages_per_second(mosquitto, tmp_path, protocol, capsys):
    batch = messages()
    rows = {}
    for what in ("bare", "collector") * 3:
        subscribe(mosquitto, what, protocol)
        with Publisher(mosquitto) as box:
            box.publish(batch)
        folder = tmp_path / f"{what}-{time.monotonic_ns()}"
        folder.mkdir()
        figures = drained(mosquitto, what, protocol, folder)
        if what not in rows or figures["wall"] < rows[what]["wall"]:
            rows[what] = figures
        subscribe(mosquitto, what, protocol, clean=True)
    rate = MESSAGES / rows["collector"]["wall"] / 2
    some, delays = batch[: int(rate * DELAY_SECONDS)], {}
    for what in rows:
        subscribe(mosquitto, what, protocol)
        folder = tmp_path / f"{what}-delays"
        folder.mkdir()
        delays[what] = delayed(mosquitto, what, protocol, folder, some, rate)
        subscribe(mosquitto, what, protocol, clean=True)
    with capsys.disabled():
        size = sum(len(payload) for _, payload in batch) / len(batch)
        print(f"\nMQTT {protocol}, QoS 1, {MESSAGES} messages of {SAWS} saws, {size:.0f} bytes each, best of three")
        for what, f in rows.items():
            cpu, size = f["cpu"] / MESSAGES * 1e6, f["rss"]
            print(f"  {what:<10} {MESSAGES / f['wall']:8.0f} messages/s   {cpu:6.0f} µs CPU each   {size:5.0f} MB")
        ratio, of_cpu = (rows["bare"][of] / rows["collector"][of] for of in ("wall", "cpu"))
        print(f"  ratio      {ratio:8.2f}   (bar 0.5, aim 0.8)   {of_cpu:.2f} of CPU: other work does not change that")
        print(f"  published at {rate:.0f} messages/s for {DELAY_SECONDS} s, delay until it is read or committed:")
        for what, these in delays.items():
            middle, late = np.percentile(these, (50, 95)) * 1e3
            print(f"  {what:<10} median {middle:7.1f} ms   p95 {late:7.1f} ms   most {max(these) * 1e3:7.1f} ms")


def subscribe(broker, what: str, protocol: str, *, clean: bool = False) -> None:
    """Leaves a session with the subscription behind, or no session."""
    command = [sys.executable, "-m", "tests.bench.drain", what, protocol, str(broker.port), "-", "-1" if clean else "0"]
    subprocess.run(command, check=True, env=os.environ | {"PYTHONPATH": "."}, timeout=30)


def test_absorbing_days_of_history(tmp_path, capsys):
    """Bulk history: a working day of 10 Hz, trace and facts committed; beside writing the trace and deriving alone."""
    day = motor([(20, 0.0), (40, 3.2)] + [(12, 6.4), (18, 3.2)] * 900 + [(40, 0.0)])
    days = [Trace(*(Series(s.t + n * 86_400 * SECOND, s.v) for s in day.series())) for n in range(4)]
    book, trace = Book(f"sqlite:///{tmp_path}/book.db"), SqliteTrace(tmp_path / "trace.db")
    ingest = Ingest(trace, book, [SawEntry("heron")], None, lambda: 0)
    start = time.perf_counter()
    for one in days:
        ingest.absorb("heron", one)
    absorbed = time.perf_counter() - start
    start = time.perf_counter()
    facts = [derive("heron", one) for one in days]
    derived = time.perf_counter() - start
    alone = SqliteTrace(tmp_path / "alone.db")
    start = time.perf_counter()
    for one in days:
        alone.write("heron", one)
        alone.commit()
    written = time.perf_counter() - start
    samples = sum(map(len, days))
    assert len(book.facts("heron", 0, 2**62)) >= sum(map(len, facts))
    with capsys.disabled():
        print(f"\n{len(days)} working days, {samples} samples, {sum(map(len, facts))} facts")
        print(f"  absorb {absorbed:6.2f} s, {samples / absorbed / 1e6:.2f} M samples/s")
        print(f"  of that deriving {derived:.2f} s, writing the trace {written:.2f} s")
    for store in (book, trace, alone):
        store.close()
