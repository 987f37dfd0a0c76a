"""The demo's past: each saw's days are played and absorbed as if its box had sent them, a process a saw.

Two processes, because a first start plays some sixteen million readings and two cores halve the wait. Each is
the only writer of its saw; both go through the `Ingest` that takes the readings of real boxes.
"""

from __future__ import annotations

import datetime as dt
import multiprocessing
import signal
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from typing import TYPE_CHECKING

from api.answers.calendar import instant
from api.tongues.say import gettext
from collector.book.book import Book
from collector.book.entries import SawEntry
from collector.detect.detector import Detector
from collector.detect.settings import DetectSettings
from collector.ingest import Ingest
from collector.trace.sqlite import SqliteTrace
from dashboard.demo.days import trace_of
from simulator import world

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

WEEKS = 8


@dataclass(frozen=True, slots=True)
class Past:
    """What has to be filled.

    Attributes:
        trace: file of the trace.
        book: SQLAlchemy address of the book.
        now_us: the present: readings before it are past.
        today: the day it lies in, in the shop's zone.
        starts: days with a moved shift.
    """

    trace: Path
    book: str
    now_us: int
    today: dt.date
    starts: dict[dt.date, int]

    def empty(self) -> bool:
        """Whether a saw has no reading yet. Makes the stores if they are missing."""
        with SqliteTrace(self.trace) as trace, Book(self.book) as book:
            book.open_saws(SawEntry(saw, saw.capitalize()) for saw in world.SAWS)
            return any(trace.last(saw) is None for saw in world.SAWS)

    def days(self, last: int | None) -> list[dt.date]:
        """The days that a saw's store lacks, wholly or in part, given its newest reading."""
        first = self.today - dt.timedelta(weeks=WEEKS)
        days = (first + dt.timedelta(days=number) for number in range((self.today - first).days + 1))
        return [day for day in days if last is None or last < instant(day + dt.timedelta(days=1), 0, world.ZONE)]

    def fill(self, saw: str) -> Iterator[float]:
        """Absorb all that happened to a saw after its last reading; yields the share done.

        What the demo missed while it was off comes in too: its boxes are taken to have kept their readings.
        """
        with SqliteTrace(self.trace) as trace, Book(self.book) as book:
            entries = [SawEntry(saw, saw.capitalize())]
            ingest = Ingest(
                trace,
                book,
                entries,
                DetectSettings(),
                lambda: time.time_ns() // 1000,
                make=Detector,
                site=world.SITE,
            )
            last = trace.last(saw)
            days = self.days(last)
            for number, day in enumerate(days, 1):
                fresh = trace_of(saw, day, self.starts).between(0 if last is None else last + 1, self.now_us)
                if len(fresh):
                    ingest.absorb(saw, fresh)
                yield number / len(days)


def fill(past: Past, progress: Callable[[float], None]) -> None:
    """Fill the past of every saw.

    Args:
        past: what has to be filled.
        progress: told the share done, 0 to 1.

    Raises:
        RuntimeError: a process ended before it was done; it told why on stderr.
    """
    # Spawned, not forked: a fork copies locks that a thread of this process may hold.
    context = multiprocessing.get_context("spawn")
    done: dict[Connection, float] = {}
    workers = []
    try:
        for saw in world.SAWS:
            here, there = context.Pipe(duplex=False)
            worker = context.Process(target=_work, args=(there, past, saw), name=f"past of {saw}", daemon=True)
            worker.start()
            there.close()  # so that its end is seen here
            workers.append(worker)
            done[here] = 0.0
        listening = set(done)
        while listening:
            for connection in wait(list(listening)):
                assert isinstance(connection, Connection)
                try:
                    done[connection] = connection.recv()
                except EOFError:
                    listening.remove(connection)
                else:
                    progress(sum(done.values()) / len(done))
        for saw, worker in zip(world.SAWS, workers, strict=True):
            worker.join()
            if worker.exitcode:
                raise RuntimeError(gettext("the past of {saw} could not be played", saw=saw))
    finally:
        # Cut off in the middle of a day they lose nothing: the next start goes on from the last commit.
        for worker in workers:
            worker.terminate()


def _work(report: Connection, past: Past, saw: str) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the process that waits for this one
    for share in past.fill(saw):
        report.send(share)
    report.close()
