"""A workshop for page tests: a real book, the real API and server, a clock that begins on an afternoon."""

from __future__ import annotations

import datetime as dt
import random
import time
from typing import TYPE_CHECKING

from api.answers.calendar import Shift, ShiftPlan
from api.app import close_api
from api.door.guest import Visitors
from api.site import SawTitle, Site
from collector.book.book import Book
from collector.book.entries import NowEntry, SawCommit, SawEntry
from collector.facts import SECOND, Conflict, Cut, Direction, Fact, Gap, Run, State
from collector.trace.sqlite import SqliteTrace
from dashboard.app import create_app
from dashboard.web import WebServer

if TYPE_CHECKING:
    from pathlib import Path

NAMES = ("heron", "plover", "curlew", "dunlin", "avocet", "sanderling")
AFTERNOON = dt.datetime(2026, 3, 2, 14, 2, tzinfo=dt.UTC)
MINUTE = 60 * SECOND


class ShopClock:
    """Runs as fast as life from a chosen moment."""

    def __init__(self, moment: dt.datetime = AFTERNOON) -> None:
        self._base = moment.timestamp()
        self._began = time.monotonic()

    def time(self) -> float:
        return self._base + time.monotonic() - self._began

    def us(self) -> int:
        return round(self.time() * SECOND)

    def leap(self, seconds: float) -> None:
        """Time passes at once."""
        self._base += seconds


class Shop:
    """Tern Point Stageworks with some saws, served on a free port."""

    def __init__(
        self, folder: Path, saws: int, moment: dt.datetime = AFTERNOON, visitors: Visitors = Visitors.LOCAL
    ) -> None:
        self.visitors = visitors
        self.clock = ShopClock(moment)
        self.saws = NAMES[:saws]
        shift = Shift.parse("08:00-17:00", ("10:00-10:15", "12:30-13:15"))
        self.site = Site(
            "tern-point",
            "Tern Point Stageworks",
            "Europe/Lisbon",
            tuple(SawTitle(name, name.capitalize()) for name in self.saws),
            ShiftPlan.weekdays(shift),
        )
        self._url = f"sqlite:///{folder / 'book.sqlite'}"
        self.book = Book(self._url)
        self.book.open_saws(SawEntry(name, name.capitalize()) for name in self.saws)
        self.trace = SqliteTrace(folder / "trace.sqlite")
        self._serve(0)

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def _serve(self, port: int) -> None:
        self.app = create_app(
            self.site, self._url, self.trace, "mqtt://192.0.2.7:1883", clock=self.clock, visitors=self.visitors
        )
        self.web = WebServer(self.app, "127.0.0.1", port)
        self.port = self.web.port
        self.web.start()

    def go_away(self) -> None:
        """The server dies."""
        close_api(self.app)
        self.web.stop()

    def come_back(self) -> None:
        """It is started again at the same address."""
        self._serve(self.port)

    def close(self) -> None:
        self.go_away()
        self.book.close()
        self.trace.close()

    def work(
        self,
        saw: str,
        state: State = State.READY,
        *,
        heard: float = 1.0,
        hours: float = 6.0,
        door: bool = True,
    ) -> None:
        """Fill a saw's day until now: a run every seven minutes with some cuts, a gap, and a conflict.

        Args:
            saw: the saw.
            state: its state now.
            heard: seconds since its newest reading.
            hours: since its work began.
            door: whether the blade door is closed.
        """
        dice = random.Random(saw)
        newest = self.clock.us() - round(heard * SECOND)
        t = newest - round(hours * 3600 * SECOND)
        facts: list[Fact] = [Gap(saw, t - 30 * MINUTE, t)]
        while t < newest - 12 * MINUTE:
            end = t + dice.randrange(3, 7) * MINUTE
            cuts = [self._cut(saw, at, dice) for at in range(t + 20 * SECOND, end - 90 * SECOND, 75 * SECOND)]
            facts += [Run(saw, t, end, 24_000, 2_900_000, len(cuts)), *cuts]
            t = end + dice.randrange(30, 200) * SECOND
        if state is State.ERROR:
            facts.append(Conflict(saw, newest - MINUTE, None, "current_while_door_open"))
        if state in {State.READY, State.WORKING}:
            facts.append(Run(saw, newest - 5 * MINUTE, None, 24_000, None, 0))
        self._commit(saw, facts, newest, state, door)

    def cut(self, saw: str) -> None:
        """One more cut, as a collector would commit it."""
        now = self.clock.us()
        self._commit(saw, [self._cut(saw, now - 20 * SECOND, random.Random(1))], now, State.READY, door=True, keep=True)

    def heard(self, saw: str) -> None:
        """A reading that changes nothing."""
        self._commit(saw, [], self.clock.us(), State.READY, door=True, keep=True)

    @staticmethod
    def _cut(saw: str, at: int, dice: random.Random) -> Cut:
        direction = Direction.VERTICAL if dice.random() < 0.6 else Direction.HORIZONTAL
        return Cut(
            saw,
            at,
            at + dice.randrange(6, 30) * SECOND,
            direction,
            6100,
            7400,
            3200,
            lock_moved=False,
            station=None,
        )

    def _commit(self, saw: str, facts: list[Fact], at: int, state: State, door: bool, *, keep: bool = False) -> None:
        first = facts[0].start if keep and facts else None if keep else 0
        now = NowEntry(saw, at, state, at - 90 * SECOND, 3200, locked=True, station=None, door_closed=door)
        self.book.commit([SawCommit(saw, first, None, facts, now=now)])
