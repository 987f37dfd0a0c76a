"""Days of `kerfbook run` at speed: its clock is put forward with the readings, so that windows slide, days end and
reports are kept as in life, while screens listen and people look at pages."""

from __future__ import annotations

import datetime as dt
import http.client
import threading
from contextlib import closing, suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import psutil

from collector.book import Book
from collector.facts import SECOND
from collector.signals import Series, Trace
from collector.wire.pack import write_pack
from simulator.shop import simulate_day
from simulator.world import SAWS as WORLD
from tests.dashboard.running import COMMAND, SITE, Running, box_of
from tests.faults.clock import Clock
from tests.ingest.publisher import Publisher
from tests.waiting import until

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from tests.conftest import Mosquitto

MONDAY = dt.date(2026, 3, 2)
STEP_S, STEPS_OF_AN_HOUR = 600, 6
LIVES = 5  # so many different weeks are simulated; the saws of a large shop share them, each some seconds apart

OFTEN = ("/metrics", "/healthz", "/api/v1/wall", "/saw/{saw}", "/api/v1/saws/{saw}/at-hand")
HOURLY = (
    *("/reports", "/api/v1/report?period={week}", "/tv", "/logbook/{saw}", "/maintenance", "/alerts", "/blades"),
    *("/api/v1/saws/{saw}/cuts?from={start}&to={end}", "/api/v1/saws/{saw}/trace?from={start}&to={end}&points=500"),
    *("/api/v1/maintenance", "/api/v1/alerts", "/api/v1/blades", "/api/v1/saws/{saw}/blade", "/api/v1/refusals"),
)


@dataclass(frozen=True)
class Day:
    """What the process is at the end of a day.

    Attributes:
        resident: bytes.
        own: bytes of its own pages.
        cpu_s: processor time that the day took.
        packs: how many came.
        threads: how many it has.
    """

    resident: int
    own: int
    cpu_s: float
    packs: int
    threads: int


def lives(days: int, number: int) -> list[list[Trace]]:
    """Traces of several saws' days, one a day."""
    kinds, dates = list(WORLD.values()), [MONDAY + dt.timedelta(days=d) for d in range(days)]
    return [
        [simulate_day(kinds[n % 2], date, 100 * n + d).trace for d, date in enumerate(dates)]
        for n in range(min(number, LIVES))
    ]


def live(
    broker: Mosquitto,
    folder: Path,
    saws: int,
    days: int,
    *,
    pack_s: int = 60,
    hours: tuple[int, int] = (0, 24),
    screens: int = 2,
    command: Sequence[str] = COMMAND,
    env: Mapping[str, str] | None = None,
) -> Iterator[Day]:
    """Let a shop live; gives every day when it is over, while the process still runs.

    Args:
        broker: between boxes and collector.
        folder: for stores and configuration.
        saws: how many.
        days: how many.
        pack_s: time that a box gathers in one pack.
        hours: of every day that are lived through; the rest is silence.
        screens: that listen all the time.
        command: starts `kerfbook`.
        env: for it.
    """
    weeks, names = lives(days, saws), [f"saw-{n}" for n in range(saws)]
    midnight = int(dt.datetime(MONDAY.year, MONDAY.month, MONDAY.day, tzinfo=dt.UTC).timestamp())
    clock = Clock(folder)
    clock.put(midnight)
    running = Running(folder, broker, names, env={**clock.env, **(env or {})}, command=command)
    with running as house, Publisher(broker) as box, Book(f"sqlite:///{folder}/kerfbook-data/book.sqlite") as book:
        process = psutil.Process(house.pid)
        people = People(house, names)
        for _ in range(screens):
            people.listen()
        used = sum(process.cpu_times()[:2])
        for d in range(days):
            packs = 0
            for step in range(hours[0] * STEPS_OF_AN_HOUR, hours[1] * STEPS_OF_AN_HOUR):
                start = midnight + d * 86_400 + step * STEP_S
                clock.put(start + STEP_S)
                batch = _packs(names, weeks, d, start, pack_s)
                if not packs:  # a broker keeps nothing for a collector that it has not met yet
                    house.hear(box, batch)
                packs += len(batch)
                box.publish(batch)
                if batch:
                    _settle(book, start, saws)
                people.look(OFTEN, start)
                if step % STEPS_OF_AN_HOUR == 0:
                    people.look(HOURLY, start)
            full, now = process.memory_full_info(), sum(process.cpu_times()[:2])
            yield Day(full.rss, full.uss, now - used, packs, process.num_threads())
            used = sum(process.cpu_times()[:2])
        people.go()


def _packs(names: Sequence[str], weeks: list[list[Trace]], d: int, start: int, pack_s: int) -> list[tuple[str, bytes]]:
    """What all boxes send of a step."""
    batch = []
    for n, name in enumerate(names):
        by = (n // LIVES) * 3 * SECOND
        shifted = weeks[n % LIVES][d].between(start * SECOND - by, (start + STEP_S) * SECOND - by)
        trace = Trace(*(Series(s.t + by, s.v) for s in shifted.series()))
        for at in range(start * SECOND, (start + STEP_S) * SECOND, pack_s * SECOND):
            part = trace.between(at, at + pack_s * SECOND)
            if len(part):
                batch.append((f"kerfbook/{SITE}/{name}/readings", write_pack(box_of(name), part, form="cbor")))
    return batch


def _settle(book: Book, start: int, saws: int) -> None:
    """Until every saw's newest reading lies in the last half of this step; asks the book, for the screens cost time."""
    least = (start + STEP_S // 2) * SECOND
    until(lambda: sum(entry.at >= least for entry in book.nows().values()) == saws, 120)


class People:
    """Whoever looks at a shop: streams that stay, and pages now and then, of one saw after the other."""

    def __init__(self, house: Running, saws: Sequence[str]) -> None:
        self._house, self._saws, self._looked = house, saws, 0
        self._gone = threading.Event()
        self._screens: list[threading.Thread] = []

    def listen(self) -> None:
        """One more screen."""
        self._screens.append(threading.Thread(target=self._follow, daemon=True))
        self._screens[-1].start()

    def look(self, paths: Sequence[str], second: int) -> None:
        """Each of these pages once, of the saw whose turn it is."""
        saw = self._saws[self._looked % len(self._saws)]
        self._looked += 1
        day = dt.datetime.fromtimestamp(second, dt.UTC)
        what = {
            "saw": saw,
            "week": f"{day.isocalendar().year}-W{day.isocalendar().week:02}",
            "start": f"{day - dt.timedelta(hours=1):%Y-%m-%dT%H:%M:%SZ}",
            "end": f"{day:%Y-%m-%dT%H:%M:%SZ}",
        }
        with closing(self._line()) as line:
            for path in paths:
                self._ask(line, path.format(**what))

    def go(self) -> None:
        """All leave."""
        self._gone.set()
        for screen in self._screens:
            screen.join(30)
            assert not screen.is_alive()

    def _line(self) -> http.client.HTTPConnection:
        return http.client.HTTPConnection(urlsplit(self._house.address).netloc, timeout=60)

    def _ask(self, line: http.client.HTTPConnection, path: str) -> None:
        line.request("GET", path, headers=self._house.asking)
        answer = line.getresponse()
        body = answer.read()
        # A collector that lost its line for a moment says so there.
        assert answer.status == 200 or path == "/healthz", f"{path}: {answer.status} {body[:500]!r}"

    def _follow(self) -> None:
        """The wall, then what changes. Comes back as a screen does: a clock that leaps makes its line look stalled."""
        while not self._gone.is_set():
            with closing(self._line()) as line, suppress(ConnectionError, http.client.HTTPException):
                self._ask(line, "/api/v1/wall")
                line.request("GET", "/api/v1/stream", headers=self._house.asking)
                stream = line.getresponse()
                while not self._gone.is_set() and stream.read1(65536):
                    pass
            self._gone.wait(0.2)
