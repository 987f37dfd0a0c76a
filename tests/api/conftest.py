from __future__ import annotations

import datetime as dt
import shutil
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from api.answers.calendar import Shift, ShiftPlan
from api.app import close_api, create_api
from api.door.guest import Visitors
from api.site import SawTitle, Site
from collector.book.book import Book
from collector.book.entries import NowEntry, RefusalEntry, SawCommit, SawEntry
from collector.facts import SECOND, Conflict, Cut, Direction, DoorVisit, Gap, Run, State, parse_iso
from collector.signals import Series, Trace
from collector.trace.sqlite import SqliteTrace

LISBON = ZoneInfo("Europe/Lisbon")
MINUTE = 60 * SECOND


def at(text: str) -> int:
    """A time on the shop's Monday, 2 March 2026, when Lisbon's clock shows UTC."""
    return parse_iso(f"2026-03-02T{text}Z")


class Clock:
    """A present that a test moves."""

    def __init__(self, now: int) -> None:
        self.now = now

    def time(self) -> float:
        return self.now / 1e6


def cut(start: int, end: int | None, direction: Direction = Direction.VERTICAL, saw: str = "heron") -> Cut:
    return Cut(saw, start, end, direction, 6100, 7400, 3200, lock_moved=False, station=None)


def run(start: int, end: int | None, cuts: int = 0, saw: str = "heron") -> Run:
    return Run(saw, start, end, 41_200, None if end is None else 2_900_000, cuts)


SHOP_PLAN = ShiftPlan.weekdays(Shift.parse("07:00-15:30", ["10:00-10:15", "12:30-13:00"]), closed=[dt.date(2026, 4, 3)])
SHOP = Site(
    "tern-point",
    "Tern Point Stageworks",
    "Europe/Lisbon",
    (SawTitle("heron", "Heron"), SawTitle("plover", "Plover")),
    SHOP_PLAN,
)

# Heron's morning: the box speaks from 06:50, is silent from 08:00 to 08:10, and has its newest reading at 09:00.
MORNING = [
    run(at("07:00:00"), at("07:20:00"), 2),
    cut(at("07:01:00"), at("07:02:00")),
    cut(at("07:04:00"), at("07:04:30"), Direction.HORIZONTAL),
    DoorVisit("heron", at("07:40:00"), at("07:45:00"), current_seen=False, before_stop=False),
    Conflict("heron", at("07:50:00"), at("07:51:00"), "current_while_door_open"),
    Gap("heron", at("08:00:00"), at("08:10:00")),
    run(at("08:50:00"), None, 1),
    cut(at("08:59:00"), None, Direction.UNKNOWN),
]


class Shop:
    """A site with a real book and a real trace store, and the API before them."""

    def __init__(self, folder, template=None, url=None) -> None:
        self.url = url or f"sqlite:///{folder / 'book.db'}"
        if template is not None:
            shutil.copy(template, folder / "book.db")
        self.clock = Clock(at("09:00:04"))
        self.book = Book(self.url)
        self.book.open_saws([SawEntry("heron", "Heron"), SawEntry("plover", "Plover")])
        self.trace = SqliteTrace(folder / "trace.db")
        self.site = SHOP
        self.app = None

    def fill(self) -> None:
        self.book.commit(
            [
                SawCommit(
                    "heron",
                    at("00:00:00"),
                    None,
                    MORNING,
                    now=NowEntry(
                        "heron", at("09:00:00"), State.WORKING, at("08:59:00"), 6200, None, None, True, 0
                    ),
                    rests_from_us=at("00:00:00"),
                    rests=[at("06:50:00")],
                )
            ],
            [
                RefusalEntry(
                    "kerfbook/tern-point/heron/readings", "heron", "not-json", "The payload is no JSON.",
                    at("08:01:00"), at("08:01:00"), b"{oops"
                ),
                RefusalEntry(
                    "kerfbook/tern-point/egret/readings", None, "unknown-saw", "The site has no saw egret.",
                    at("08:02:00"), at("08:02:00"), b"[]"
                ),
            ],
        )  # fmt: skip
        t = at("08:50:00") + SECOND // 10 * np.arange(6000)
        v = 3200 + (t // 100_000 % 7) * 10
        self.trace.write(
            "heron",
            Trace(
                Series.of(t, v),
                Series.of([at("08:50:00"), at("08:55:00"), at("08:56:00")], [1, 1, 0]),
                Series.of([at("08:50:00")], [2]),
                Series.of([at("08:50:00")], [1]),
            ),
        )
        self.trace.commit()

    def open(self, **options):
        options = {"visitors": Visitors.LOCAL} | options
        self.app = create_api(self.url, self.trace, self.site, clock=self.clock, **options)
        return self.app

    def say(self, saw: str, state: State, when: int, facts=(), since: int | None = None) -> None:
        """One commit as the collector makes it."""
        now = NowEntry(saw, when, state, since or when, 3200, None, None, True, 0)
        self.book.commit([SawCommit(saw, when, None, facts, now=now)])

    def close(self) -> None:
        if self.app is not None:
            close_api(self.app)
        self.trace.close()
        self.book.close()


@pytest.fixture(scope="session")
def blank_book(tmp_path_factory):
    """An empty book: its migration is the slow part of a test, and is tested elsewhere."""
    path = tmp_path_factory.mktemp("blank") / "book.db"
    Book(f"sqlite:///{path}").close()
    return path


@pytest.fixture
def empty_shop(tmp_path, blank_book):
    shop = Shop(tmp_path, blank_book)
    yield shop
    shop.close()


@pytest.fixture
def shop(empty_shop):
    empty_shop.fill()
    empty_shop.open()
    return empty_shop


@pytest.fixture
def client(shop):
    return shop.app.test_client()
