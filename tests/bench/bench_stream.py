"""From a commit to a screen: ten full days, a commit that touches all saws every 250 ms, 30 screens.

Run: ``python -m tests.bench.bench_stream [screens] [commits]``. Latency is from the end of the commit to the
arrival of the saw's event in a client; the processor time is that of server, clients and writer together.
"""

from __future__ import annotations

import http.client
import json
import resource
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np

from api.app import close_api, create_api
from api.door.guest import Visitors
from collector.book.book import Book
from collector.book.entries import NowEntry, SawCommit
from collector.facts import State, iso
from collector.trace.sqlite import SqliteTrace
from dashboard.web import WebServer
from tests.bench.bench_wall import NOON, SAWS, SITE, Clock, fill


class Screen(threading.Thread):
    """Notes when each commit's event of each saw arrived; a commit is known by its newest reading."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self.arrived: dict[tuple[str, str], float] = {}
        self._connection = http.client.HTTPConnection("127.0.0.1", port)
        self._connection.request("GET", "/api/v1/stream")
        self._stream = self._connection.getresponse()

    def run(self) -> None:
        while line := self._stream.readline():
            if line.startswith(b'data: {"saw"'):
                entry = json.loads(line[6:])
                self.arrived.setdefault((entry["saw"], entry["last_reading"]), time.perf_counter())


def main(screens: int = 30, commits: int = 40) -> None:
    """Prints the table."""
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{Path(folder) / 'book.db'}"
        fill(url, 1)
        trace = SqliteTrace(Path(folder) / "trace.db")
        app = create_api(url, trace, SITE, clock=Clock(), visitors=Visitors.LOCAL)
        server = WebServer(app, "127.0.0.1", 0)
        server.start()
        watching = [Screen(server.port) for _ in range(screens)]
        for screen in watching:
            screen.start()
        book = Book(url)
        time.sleep(1)
        used, begun, done = time.process_time(), time.perf_counter(), {}
        for i in range(1, commits + 1):
            at = NOON + i * 1000
            book.commit([SawCommit(s, now=NowEntry(s, at, State.READY, NOON, 3200, True, None, True, 0)) for s in SAWS])
            done[iso(at)] = time.perf_counter()
            time.sleep(max(0.0, begun + i * 0.25 - time.perf_counter()))
        time.sleep(0.5)
        spent = time.perf_counter() - begun
        late = [(t - done[at]) * 1000 for s in watching for (_, at), t in s.arrived.items() if at in done]
        share = (time.process_time() - used) / spent
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
        p50, p95, worst = np.percentile(late, [50, 95, 100])
        print(f"{screens} screens, {len(SAWS)} saws, {commits} commits: {len(late):,} events")
        print(f"  commit to screen: median {p50:.0f} ms   p95 {p95:.0f} ms   worst {worst:.0f} ms")
        print(f"  processor {share:.2f} of a core   resident memory {memory:.0f} MB at most")
        close_api(app)
        book.close()
        server.stop()
        trace.close()


if __name__ == "__main__":
    main(*map(int, sys.argv[1:3]))
