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

from tests.bench.bench_collector import messages, subscribe
from tests.ingest.publisher import Publisher, until
from tests.postgres import Postgres
from tests.trace.influx import Influx

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = [pytest.mark.bench, pytest.mark.real]

SAWS = 10
SHORT = os.environ.get("KERFBOOK_BENCH") == "short"
MESSAGES = 2000 if SHORT else int(os.environ.get("KERFBOOK_BENCH_MESSAGES", "12000"))
PACED = 1000 if SHORT else 6000


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


def finished(process: subprocess.Popen[str]) -> dict[str, Any]:
    out, _ = process.communicate(timeout=400)
    assert process.returncode == 0
    found: dict[str, Any] = orjson.loads(out.splitlines()[-1])
    return found


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
            before = {name: cpu_of(pid) for name, pid in watched.items()}
            full = finished(receive(stores, mosquitto, protocol, tmp_path / f"full-{stores.name}", len(batch)))
            used = {name: (cpu_of(pid) - before[name]) / len(batch) * 1e6 for name, pid in watched.items()}
            rate = len(batch) / full["wall"]
            say(
                f"  {stores.name:<9} {rate:7.0f} messages/s, {rate / bare:.2f} of the bare one, in groups of "
                f"{len(batch) / full['groups']:.0f}; {full['facts']} facts"
            )
            say(f"    processor {full['cpu'] / len(batch) * 1e6:5.0f} µs a message: {shares(full, 'cpu_of', 'cpu')}")
            say(f"    by the clock {full['wall'] / len(batch) * 1e6:5.0f} µs: {shares(full, 'wall_of', 'wall')}")
            say("    others' processors, µs a message: " + ", ".join(f"{n} {u:.0f}" for n, u in used.items()))
            paced(stores, mosquitto, protocol, tmp_path / f"half-{stores.name}", rate / 2, say)
            subscribe(mosquitto, "collector", protocol, clean=True)


def paced(stores: Stores, broker: Any, protocol: str, folder: Path, rate: float, say: Callable[[str], None]) -> None:
    batch = messages()[:PACED]
    process = receive(stores, broker, protocol, folder, len(batch))
    until((folder / "up").exists, 60)
    sent = np.empty(len(batch))
    with Publisher(broker) as box:
        start = time.monotonic()
        for n, (topic, payload) in enumerate(batch):
            due = start + n / rate
            while (ahead := due - time.monotonic()) > 0:
                time.sleep(ahead)
            sent[n] = due  # late is late, whoever is to blame
            box.client.publish(topic, payload, qos=1)
        finished(process)
    waited = np.load(folder / "committed.npy") - sent
    p50, p95, p99 = np.percentile(waited, (50, 95, 99)) * 1000
    say(f"    at {rate:.0f} messages/s, publish to commit: median {p50:.0f} ms, p95 {p95:.0f} ms, p99 {p99:.0f} ms")
