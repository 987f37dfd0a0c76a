from __future__ import annotations

import atexit
import shutil
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory, mkdtemp
from typing import Any, Self

import pytest

from collector.book import Book, SawEntry
from collector.book.troubles import TroubleBook
from collector.detect.settings import DetectSettings
from collector.facts import SECOND
from collector.ingest import Ingest
from collector.ingest.learning import Learning
from collector.signals import Series, Trace
from collector.trace.sqlite import SqliteTrace
from collector.troubles import Troubles
from collector.wire.pack import write_pack
from tests.ingest.threshold import ThresholdDetector

T0 = 1_772_438_400 * SECOND  # 2026-03-02T08:00:00Z
BOX = "urn:dev:mac:0024befffe804ff1:"


@cache
def empty_book() -> Path:
    """A book at its newest schema: migrating one for each of a thousand examples would take minutes."""
    folder = Path(mkdtemp(prefix="kerfbook-test-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    Book(f"sqlite:///{folder}/empty.db").close()
    return folder / "empty.db"


def memory_folder() -> TemporaryDirectory[str]:
    """A folder in memory where the system has one: what is tested is not the disk."""
    return TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None)


class Shop:
    """Stores in a folder, and an ingest on them that can be thrown away and opened again, as after a crash."""

    def __init__(
        self, folder: Path, make: Any = ThresholdDetector, book_url: str | None = None, *, learns: bool = False
    ) -> None:
        self.folder = folder
        self.learns = learns
        self.make = make
        self.book_url = book_url or f"sqlite:///{folder}/book.db"
        if book_url is None:
            shutil.copy(empty_book(), folder / "book.db")
        self.book = Book(self.book_url)
        self.trace = SqliteTrace(folder / "trace.db")
        self.clock = T0
        self.boxes: dict[str, str] = {}
        self.open()

    def open(self) -> Ingest:
        saws = [SawEntry("heron", "Heron", self.boxes.get("heron")), SawEntry("plover")]
        self.troubles = Troubles(TroubleBook(self.book), lambda: self.clock)
        self.ingest = Ingest(
            self.trace,
            self.book,
            saws,
            None,
            lambda: self.clock,
            make=self.make,
            site="tern-point",
            troubles=self.troubles,
            learning=Learning(self.book, self.trace, DetectSettings(), self.make) if self.learns else None,
        )
        return self.ingest

    def take(self, trace: Trace, token: object = None, saw: str = "heron", *, received: int | None = None, **more):
        """One pack, as from the broker."""
        received = trace.last if received is None else received
        payload = write_pack(BOX, trace)
        self.ingest.take(f"kerfbook/tern-point/{saw}/readings", payload, received, False, token, **more)

    def die(self) -> Ingest:
        """All that is not on disk is gone; a new process opens the stores."""
        self.close()
        self.book = Book(self.book_url)
        self.trace = SqliteTrace(self.folder / "trace.db")
        return self.open()

    def facts(self, saw: str = "heron") -> list[Any]:
        return self.book.facts(saw, 0, 2**62)

    def close(self) -> None:
        self.book.close()
        self.trace.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


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
