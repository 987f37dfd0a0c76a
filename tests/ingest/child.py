"""A collector in a process of its own, to be killed: ``python -m tests.ingest.child FOLDER PORT [PROTOCOL]``."""

from __future__ import annotations

import logging
import sys
import time
from pathlib import Path

from collector.book import Book, SawEntry
from collector.ingest import Ingest
from collector.mqtt import Broker, Collector
from collector.trace.sqlite import SqliteTrace
from tests.ingest.threshold import ThresholdDetector


def main() -> None:
    logging.basicConfig(level=logging.INFO)
    folder, port, *protocol = sys.argv[1:]
    book = Book(f"sqlite:///{folder}/book.db")
    trace = SqliteTrace(Path(folder) / "trace.db")
    ingest = Ingest(
        trace, book, [SawEntry("heron"), SawEntry("plover")], None, time.time_ns, make=ThresholdDetector,
        site="tern-point",
    )  # fmt: skip
    ingest.catch_up()
    Collector(ingest, "tern-point", Broker(port=int(port), protocol=(protocol or ["auto"])[0])).run()


if __name__ == "__main__":
    main()
