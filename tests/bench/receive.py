"""A collector in a process of its own on whatever stores: what one second of it costs, and how long each message waits.

``python -m tests.bench.receive PROTOCOL PORT SAWS MESSAGES FOLDER BOOK [INFLUX BUCKET]`` writes ``up`` into the folder when it
is connected, takes the messages, writes ``done`` and waits for ``go``, and leaves their commits' moments [s, monotonic, the same in all processes] in
``committed.npy``. Prints as JSON: wall and processor seconds from the first message's receipt to the last commit, the
shares of both in decode, detect, trace and book, and facts that are in the book.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np
import orjson

from collector.book import Book, SawEntry
from collector.book.leases import Leases
from collector.broker import Broker
from collector.ingest import Ingest
from collector.mqtt import Collector
from collector.trace.place import InfluxPlace, open_trace
from tests.bench.shares import Shares, of_a_collector

SITE = "tern-point"


def main(protocol: str, port: str, saws: str, messages: str, folder: str, url: str, *influx: str) -> None:
    place = InfluxPlace(*influx, days=0) if influx else Path(folder, "trace.db")
    names = [f"saw-{n}" for n in range(int(saws))]
    with Book(url) as book, open_trace(place) as trace:
        leases = Leases(book.engine, "bench")
        leases.start()
        ingest = Ingest(trace, book, [SawEntry(n) for n in names], None, _now, site=SITE, leases=leases)
        ingest.catch_up()
        # The client's name is that of the session that the bench has left behind.
        broker = Broker(port=int(port), protocol=protocol, client_id="bench-collector")  # type: ignore[arg-type]
        running = Collector(ingest, SITE, broker, leases=leases)
        began: list[tuple[float, float]] = []
        committed: list[float] = []
        take, settle = ingest.take, ingest.settle

        def first_taken(*given, **more):
            if not began:
                began.append((time.perf_counter(), time.process_time()))
            take(*given, **more)

        def settled():
            tokens = settle()
            committed.extend([time.monotonic()] * len(tokens))
            return tokens

        ingest.take, ingest.settle = first_taken, settled  # type: ignore[method-assign]
        shares = Shares()
        with shares.watching(of_a_collector(trace, book)):
            running.start()
            while not running.health().connected:
                time.sleep(0.01)
            Path(folder, "up").touch()
            while len(committed) < int(messages):
                time.sleep(0.02)
            wall, cpu = time.perf_counter() - began[0][0], time.process_time() - began[0][1]
            health = running.health()
            Path(folder, "done").touch()
            while not Path(folder, "go").exists():  # for whoever asks what the servers used
                time.sleep(0.01)
            running.stop()
        leases.close()
        assert health.refused == 0, health
        np.save(Path(folder, "committed.npy"), np.array(committed))
        facts = sum(len(book.facts(name, 0, 2**62)) for name in names)
    figures = {
        "wall": wall,
        "cpu": cpu,
        "cpu_of": shares.cpu,
        "wall_of": shares.wall,
        "facts": facts,
        "groups": health.groups,
    }
    print(orjson.dumps(figures).decode())


def _now() -> int:
    return time.time_ns() // 1000


if __name__ == "__main__":
    main(*sys.argv[1:])
