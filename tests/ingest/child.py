"""A collector in a process of its own, to be killed: ``python -m tests.ingest.child FOLDER PORT [PROTOCOL]``.

With ``KERFBOOK_TEST_DETECTOR=threshold`` it derives by the tests' own detector."""

from __future__ import annotations

import logging
import os
import sys
import time
from pathlib import Path

from collector.book import Book, SawEntry
from collector.broker import Broker
from collector.detect.settings import DetectSettings
from collector.ingest import Ingest
from collector.ingest.learning import Learning
from collector.mqtt import Collector
from collector.trace.sqlite import SqliteTrace
from tests.ingest.threshold import ThresholdDetector


def main() -> None:
    logging.basicConfig(level=logging.INFO)
    folder, port, *protocol = sys.argv[1:]
    book = Book(f"sqlite:///{folder}/book.db")
    trace = SqliteTrace(Path(folder) / "trace.db")
    simple = os.environ.get("KERFBOOK_TEST_DETECTOR") == "threshold"
    ingest = Ingest(
        trace,
        book,
        [SawEntry("heron"), SawEntry("plover")],
        None,
        lambda: time.time_ns() // 1000,
        make=ThresholdDetector,
        site="tern-point",
        learning=None if simple else Learning(book, trace, DetectSettings()),
    )
    ingest.catch_up()
    Collector(ingest, "tern-point", Broker(port=int(port), protocol=(protocol or ["auto"])[0])).run()


if __name__ == "__main__":
    main()
