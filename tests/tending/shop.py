"""A workshop whose clock a test moves, with maintenance and a watch on a real book."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from api.answers.telling import Channel, Policy, Quiet
from api.delivery import DeliveryError
from api.desk import Desk
from api.site import SawTitle, Site
from api.tending import Tending
from api.watch import Watch
from collector.book.book import Book
from collector.book.entries import NowEntry, SawCommit, SawEntry
from collector.facts import SECOND, Gap, State
from collector.signals import Trace
from tests.tending.month import PLAN, at

if TYPE_CHECKING:
    from collector.book.leases import Leases

MINUTE = 60 * SECOND


class Clock:
    def __init__(self, now: int) -> None:
        self.now = now

    def time(self) -> float:
        return self.now / 1e6


class NoTrace:
    def read(self, saw: str, start_us: int, end_us: int) -> Trace:
        return Trace()


class Letterbox:
    """Takes messages, or refuses them while `down`."""

    def __init__(self) -> None:
        self.down = False
        self.got: list[tuple[str, str, str, dict[str, Any]]] = []

    def send(self, address, text, facts) -> None:
        if self.down:
            raise DeliveryError("nobody there")
        self.got.append((address, text.title, text.body, facts))

    @property
    def titles(self) -> list[str]:
        return [title for _, title, _, _ in self.got]


SITE = Site(
    "tern-point",
    "Tern Point Stageworks",
    "Europe/Lisbon",
    (SawTitle("heron", "Heron"), SawTitle("plover", "Plover")),
    PLAN,
)
POLICY = Policy(
    (
        Channel("crew", "operator", "x://crew"),
        Channel("tending", "maintenance", "x://tending", quiet=(Quiet(20 * 60, 6 * 60),)),
        Channel("boss", "owner", "x://boss"),
    )
)


class Shop:
    def __init__(self, folder, now: int = at(2, "09:00"), policy: Policy = POLICY, sender=None, plan=PLAN) -> None:
        self.book = Book(f"sqlite:///{folder / 'book.db'}")
        self.book.open_saws([SawEntry("heron", "Heron"), SawEntry("plover", "Plover")])
        self.clock = Clock(now)
        self.desk = Desk(replace(SITE, shifts=plan), self.book, NoTrace(), self.clock)
        self.tending = Tending(self.desk)
        self.box = Letterbox()
        self.sender = sender or self.box
        self.policy = policy
        self.watch = self.new_watch()

    def new_watch(self, leases: Leases | None = None) -> Watch:
        return Watch(self.tending, self.policy, self.sender, "http://saws.example:8080/", leases=leases)

    def heard(self, now: int | None = None, saw: str = "heron", *facts) -> None:
        """A reading, and facts that came with it."""
        now = self.clock.now if now is None else now
        entry = NowEntry(saw, now, State.STANDBY, now, 0, None, None, True, 0)
        first = min((f.start for f in facts), default=None)
        self.book.commit([SawCommit(saw, first, None, facts, now=entry)])

    def silent(self, start: int, end: int, saw: str = "heron") -> None:
        """The box was silent and speaks again."""
        self.heard(end, saw, Gap(saw, start, end))

    def look(self, now: int) -> list[str]:
        """A look and a post at a time; the titles of what was sent, summaries and reports left out."""
        self.clock.now = now
        before = len(self.box.got)
        self.watch.look()
        self.watch.posting.post()
        return [t for t in self.box.titles[before:] if "summary" not in t and "report:" not in t]

    def close(self) -> None:
        self.book.close()
