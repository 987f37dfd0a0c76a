"""Messages from a real broker at QoS 1 to committed facts, on embedded stores and on servers, side by side in one run.

    PYTHONPATH=. python -m pytest tests/bench/bench_servers.py -m bench -s

First all messages wait in the broker, and a collector takes them as fast as it can, beside a bare subscriber that does
nothing; then they come at half of that rate, and each one's delay is the time from its publish to the commit that holds
its facts. Broker, stores, collector and publisher share one computer. PostgreSQL syncs its commits to the disk here.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from dataclasses import dataclass
from itertools import count
from typing import TYPE_CHECKING, Any

import numpy as np
import orjson
import psutil
import pytest
from sqlalchemy import text

from collector.book import Book
from tests.bench.bench_collector import messages, subscribe
from tests.bench.bench_wall import fill
from tests.ingest.publisher import Publisher
from tests.postgres import Postgres
from tests.trace.influx import Influx
from tests.waiting import until

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = [pytest.mark.bench, pytest.mark.real]

SAWS = 10
SHORT = os.environ.get("KERFBOOK_BENCH") == "short"
MESSAGES = 2000 if SHORT else int(os.environ.get("KERFBOOK_BENCH_MESSAGES", "12000"))
PACED = 1000 if SHORT else 6000
LIVE = 100.0  # messages a second: ten saws, ten times as busy as they can be


@dataclass
class Stores:
    """Where a collector writes, and what works there."""

    name: str
    address: Callable[[Path], list[str]]
    processes: dict[str, int]


@pytest.fixture(scope="module")
def servers(tmp_path_factory) -> Iterator[Stores]:
    folder = tmp_path_factory.mktemp("influx")
    postgres, influx = Postgres(durable=True), Influx(folder)
    pid = int((postgres.folder / "data" / "postmaster.pid").read_text().split()[0])
    assert influx.pid is not None
    number = count()
    yield Stores(
        "servers",
        lambda _: [postgres.book(), influx.url, f"run-{next(number)}/raw"],
        {"PostgreSQL": pid, "InfluxDB": influx.pid},
    )
    influx.close()
    postgres.stop()


def cpu_of(pid: int) -> float:
    """Processor seconds of a process and its children that live, which end with what they used else."""
    one = psutil.Process(pid)
    used = one.cpu_times()
    total = used.user + used.system + used.children_user + used.children_system
    for child in one.children(recursive=True):
        times = child.cpu_times()
        total += times.user + times.system
    return total


def receive(stores: Stores, broker: Any, protocol: str, folder: Path, messages: int) -> subprocess.Popen[str]:
    folder.mkdir()
    address = stores.address(folder)
    command = [sys.executable, "-m", "tests.bench.receive", protocol, str(broker.port), str(SAWS), str(messages)]
    return subprocess.Popen(
        [*command, str(folder), *address], stdout=subprocess.PIPE, text=True, env=os.environ | {"PYTHONPATH": "."}
    )


def settled(
    process: subprocess.Popen[str], folder: Path, watched: dict[str, int], before: dict[str, float], count: int
) -> tuple[dict[str, Any], dict[str, float]]:
    """What the collector says when all is committed, and what other processes used for a message [µs]."""
    until(lambda: (folder / "done").exists() or process.poll() is not None, 300)
    used = {name: (cpu_of(pid) - before[name]) / count * 1e6 for name, pid in watched.items()}
    (folder / "go").touch()
    out, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    found: dict[str, Any] = orjson.loads(out.splitlines()[-1])
    return found, used


def shares(figures: dict[str, Any], which: str, whole: str) -> str:
    parts = "  ".join(f"{what} {100 * s / figures[whole]:2.0f} %" for what, s in sorted(figures[which].items()))
    rest = figures[whole] - sum(figures[which].values())
    return f"{parts}  rest {100 * rest / figures[whole]:2.0f} %"


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_from_the_broker_to_facts_on_servers(servers, mosquitto, tmp_path, protocol, capsys):
    embedded = Stores("embedded", lambda folder: [f"sqlite:///{folder}/book.db"], {})
    batch = messages()[:MESSAGES]
    say = lambda text: print(text, flush=True)  # noqa: E731
    with capsys.disabled():
        say(f"\nMQTT {protocol}, QoS 1, {len(batch)} messages of {SAWS} saws, to committed facts")
        subscribe(mosquitto, "bare", protocol)
        with Publisher(mosquitto) as box:
            box.publish(batch)
        command = [sys.executable, "-m", "tests.bench.drain", "bare", protocol, str(mosquitto.port), "-"]
        out = subprocess.run(
            [*command, str(len(batch))],
            capture_output=True,
            text=True,
            check=True,
            env=os.environ | {"PYTHONPATH": "."},
        )
        subscribe(mosquitto, "bare", protocol, clean=True)
        bare = len(batch) / float(out.stdout.split()[-3])
        say(f"  a bare subscriber {bare:7.0f} messages/s")
        for stores in (embedded, servers):
            subscribe(mosquitto, "collector", protocol)
            with Publisher(mosquitto) as box:
                box.publish(batch)
            watched = {**stores.processes, "broker": mosquitto.process.pid}
            folder = tmp_path / f"full-{stores.name}"
            before = {name: cpu_of(pid) for name, pid in watched.items()}
            process = receive(stores, mosquitto, protocol, folder, len(batch))
            full, used = settled(process, folder, watched, before, len(batch))
            rate = len(batch) / full["wall"]
            say(
                f"  {stores.name:<9} {rate:7.0f} messages/s, {rate / bare:.2f} of the bare one, in groups of "
                f"{len(batch) / full['groups']:.0f}; {full['facts']} facts"
            )
            say(f"    processor {full['cpu'] / len(batch) * 1e6:5.0f} µs a message: {shares(full, 'cpu_of', 'cpu')}")
            say(f"    by the clock {full['wall'] / len(batch) * 1e6:5.0f} µs: {shares(full, 'wall_of', 'wall')}")
            say("    others' processors, µs a message: " + ", ".join(f"{n} {u:.0f}" for n, u in used.items()))
            for name, pace in (("half", rate / 2), ("live", LIVE)):
                paced(stores, mosquitto, protocol, tmp_path / f"{name}-{stores.name}", pace, say)
            subscribe(mosquitto, "collector", protocol, clean=True)


def paced(stores: Stores, broker: Any, protocol: str, folder: Path, rate: float, say: Callable[[str], None]) -> None:
    batch = messages()[: min(PACED, round(rate * 12))]
    process = receive(stores, broker, protocol, folder, len(batch))
    until((folder / "up").exists, 60)
    before = {name: cpu_of(pid) for name, pid in stores.processes.items()}
    sent = np.empty(len(batch))
    with Publisher(broker) as box:
        start = time.monotonic()
        for n, (topic, payload) in enumerate(batch):
            due = start + n / rate
            while (ahead := due - time.monotonic()) > 0:
                time.sleep(ahead)
            sent[n] = due  # late is late, whoever is to blame
            box.client.publish(topic, payload, qos=1)
        figures, used = settled(process, folder, stores.processes, before, len(batch))
    waited = np.load(folder / "committed.npy") - sent
    p50, p95, p99 = np.percentile(waited, (50, 95, 99)) * 1000
    say(
        f"    at {rate:.0f} messages/s, publish to commit: median {p50:.0f} ms, p95 {p95:.0f} ms, p99 {p99:.0f} ms; groups "
        f"of {len(batch) / figures['groups']:.0f}, processor {figures['cpu'] / len(batch) * 1e6:.0f} µs a message"
        + "".join(f", {name} {u:.0f}" for name, u in used.items())
    )


def test_bytes_of_a_fact(servers, tmp_path, capsys):
    """A month of ten saws in PostgreSQL: what a cut takes there with its indices, and the whole book by cuts."""
    url = servers.address(tmp_path)[0]
    fill(url, 3 if SHORT else 30)
    with Book(url) as book, book.engine.connect() as connection:
        connection.execute(text("CHECKPOINT"))
        tables = (
            "SELECT relname, pg_total_relation_size(oid) FROM pg_class WHERE relkind = 'r' AND relname = ANY(:names)"
        )
        size: dict[str, int] = dict(connection.execute(text(tables), {"names": ["cut", "run"]}).all())  # type: ignore[arg-type]
        whole = connection.execute(text("SELECT pg_database_size(current_database())")).scalar_one()
        cuts = connection.execute(text("SELECT count(*) FROM cut")).scalar_one()
        runs = connection.execute(text("SELECT count(*) FROM run")).scalar_one()
    assert cuts > 1000
    empty = servers.address(tmp_path)[0]
    with Book(empty) as book, book.engine.connect() as connection:
        nothing = connection.execute(text("SELECT pg_database_size(current_database())")).scalar_one()
    with capsys.disabled():
        print(
            f"\nPostgreSQL: {cuts} cuts at {size['cut'] / cuts:.0f} bytes, {runs} runs at {size['run'] / runs:.0f}; "
            f"the whole book {(whole - nothing) / cuts:.0f} bytes a cut over the {nothing / 1e6:.1f} MB of an empty one"
        )
