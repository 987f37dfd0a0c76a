from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from collector.book import Book, SawEntry
from collector.facts import SECOND
from collector.ingest import Ingest
from collector.signals import Series, Trace
from collector.trace.sqlite import SqliteTrace
from tests.ingest.threshold import ThresholdDetector

T0 = 1_772_438_400 * SECOND  # 2026-03-02T08:00:00Z
BOX = "urn:dev:mac:0024befffe804ff1:"


class Shop:
    """Stores in a folder, and an ingest on them that can be thrown away and opened again, as after a crash."""

    def __init__(self, folder: Path, make: Any = ThresholdDetector) -> None:
        self.folder = folder
        self.make = make
        self.book = Book(f"sqlite:///{folder}/book.db")
        self.trace = SqliteTrace(folder / "trace.db")
        self.clock = T0
        self.open()

    def open(self) -> Ingest:
        saws = [SawEntry("heron", "Heron"), SawEntry("plover")]
        self.ingest = Ingest(
            self.trace, self.book, saws, None, lambda: self.clock, make=self.make, site="tern-point"
        )
        return self.ingest

    def facts(self, saw: str = "heron") -> list[Any]:
        return self.book.facts(saw, 0, 2**62)

    def close(self) -> None:
        self.book.close()
        self.trace.close()


@pytest.fixture
def shop(tmp_path):
    shop = Shop(tmp_path)
    yield shop
    shop.close()


def motor(levels: list[tuple[float, float]], step: float = 0.1, start: int = T0) -> Trace:
    """A motor trace from (seconds, amperes) pieces."""
    values = [int(amps * 1000) for seconds, amps in levels for _ in range(round(seconds / step))]
    times = [start + round(i * step * SECOND) for i in range(len(values))]
    return Trace(Series.of(times, values), Series.empty(), Series.empty(), Series.empty())
