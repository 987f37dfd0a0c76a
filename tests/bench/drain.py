"""A subscriber in a process of its own: ``python -m tests.bench.drain bare|collector 5|3.1.1 PORT FOLDER MESSAGES``.

With 0 messages it only leaves its session behind, with -1 it removes it. Prints wall seconds from the first message
on, CPU seconds, and resident megabytes; before that, a line each, when (monotonic clock, s) how many messages were
done: read by the bare one, committed and about to be acknowledged by the collector.
"""

from __future__ import annotations

import sys
import threading
import time
from pathlib import Path

import psutil
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

SITE = "tern-point"


class Clock:
    def __init__(self, messages: int) -> None:
        self.messages, self.seen, self.done = messages, 0, threading.Event()
        self.start = self.cpu = 0.0
        self.marks: list[tuple[float, int]] = []

    def tick(self) -> None:
        if not self.seen:
            self.start, self.cpu = time.perf_counter(), time.process_time()
        self.seen += 1

    def mark(self, count: int) -> None:
        if count:
            self.marks.append((time.monotonic(), count))

    def print(self) -> None:
        for when, count in self.marks:
            print(when, count)
        wall, cpu = time.perf_counter() - self.start, time.process_time() - self.cpu
        print(wall, cpu, psutil.Process().memory_info().rss / 1e6)


def session(what: str, protocol: str, port: int, *, clean: bool = False) -> Client:
    version = MQTTProtocolVersion.MQTTv5 if protocol == "5" else MQTTProtocolVersion.MQTTv311
    five = protocol == "5"
    client = Client(
        CallbackAPIVersion.VERSION2, f"bench-{what}", clean_session=None if five else clean, protocol=version
    )
    if five:
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 0 if clean else 0xFFFFFFFF
        properties.ReceiveMaximum = 4096
        client.connect("127.0.0.1", port, clean_start=clean, properties=properties)
    else:
        client.connect("127.0.0.1", port)
    return client


def bare(protocol: str, port: int, clock: Clock) -> None:
    client = session("bare", protocol, port)

    def on_message(_client, _data, _message):
        clock.tick()
        clock.mark(1)
        if clock.seen == clock.messages:
            clock.done.set()

    client.on_message = on_message
    client.loop_start()
    assert clock.done.wait(240)
    clock.print()
    client.disconnect()
    client.loop_stop()


def collector(protocol: str, port: int, folder: str, clock: Clock) -> None:
    from collector.book import Book, SawEntry  # noqa: PLC0415 (a bare subscriber must not pay for these)
    from collector.broker import Broker  # noqa: PLC0415
    from collector.ingest import Ingest  # noqa: PLC0415
    from collector.mqtt import Collector  # noqa: PLC0415
    from collector.trace.sqlite import SqliteTrace  # noqa: PLC0415

    book = Book(f"sqlite:///{folder}/book.db")
    trace = SqliteTrace(Path(folder) / "trace.db")
    saws = [SawEntry(f"saw-{n}") for n in range(10)]
    ingest = Ingest(trace, book, saws, None, lambda: time.time_ns() // 1000, site=SITE)
    ingest.catch_up()
    running = Collector(ingest, SITE, Broker(port=port, protocol=protocol, client_id="bench-collector"))
    take = ingest.take
    ingest.take = lambda *a, **k: (clock.tick(), take(*a, **k))
    settle = ingest.settle

    def settled() -> list[object]:
        tokens = settle()
        clock.mark(len(tokens))
        return tokens

    ingest.settle = settled
    running.start()
    while running.health().queued or clock.seen < clock.messages:
        time.sleep(0.02)
    clock.print()
    health = running.health()
    print(health, len(book.facts("saw-3", 0, 2**62)), file=sys.stderr)
    assert health.refused == 0
    assert health.readings == 12 * clock.messages, health
    running.stop()
    book.close()
    trace.close()


def main() -> None:
    what, protocol, port, folder, messages = sys.argv[1:]
    if int(messages) <= 0:
        client = session(what, protocol, int(port), clean=messages == "-1")
        subscribed = threading.Event()
        client.on_subscribe = lambda *_: subscribed.set()
        client.on_connect = lambda *_: client.subscribe(f"kerfbook/{SITE}/+/readings", 1)
        client.loop_start()
        assert subscribed.wait(10)
        client.disconnect()
        client.loop_stop()
        return
    clock = Clock(int(messages))
    if what == "bare":
        bare(protocol, int(port), clock)
    else:
        collector(protocol, int(port), folder, clock)


if __name__ == "__main__":
    main()
