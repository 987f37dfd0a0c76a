"""A workshop to be harmed: real broker, real `kerfbook run`, boxes that keep what was not acknowledged, and a judge."""

from __future__ import annotations

import time
from contextlib import suppress
from typing import TYPE_CHECKING, Any, NamedTuple

from sqlalchemy.exc import SQLAlchemyError

from collector.adopt import settings_of
from collector.book import Book
from collector.book.alerts import AlertBook
from collector.book.troubles import TroubleBook
from collector.detect.detector import derive
from collector.detect.settings import DetectSettings
from collector.facts import SECOND
from collector.signals import Series, Trace
from collector.trace.sqlite import SqliteTrace
from collector.wire.pack import write_pack
from tests.dashboard.running import SITE, Running, box_of
from tests.detect.build import spin_up, story
from tests.ingest.publisher import Publisher
from tests.waiting import until

if TYPE_CHECKING:
    from pathlib import Path

    from collector.book.alerts import AlertRow
    from collector.book.troubles import Trouble
    from collector.facts import Fact
    from tests.conftest import Mosquitto

SAWS = ("heron", "plover")


def topic(saw: str) -> str:
    return f"kerfbook/{SITE}/{saw}/readings"


def shifted(trace: Trace, by_us: int) -> Trace:
    return Trace(*(Series(series.t + by_us, series.v) for series in trace.series()))


def work(runs: int = 1, cuts: int = 4, seed: int = 1, ago_s: float = 30) -> Trace:
    """Some runs with cuts, and a rest after each; the last one ended so many seconds ago."""
    one = [*spin_up(), (9.0, 3.0)] + [(3.0, 6.5), (3.0, 3.0)] * cuts + [(45.0, 0.0)]
    made = story([(5.0, 0.0), *(one * runs)], seed=seed, lock=[(0, 1)], door=[(0, 1)])
    return shifted(made, round((time.time() - ago_s) * SECOND) - made.last)


def packs(saw: str, trace: Trace, seconds: float = 1.0) -> list[tuple[str, bytes]]:
    """The trace as the saw's box sends it, a pack a second."""
    step = round(seconds * SECOND)
    parts = (trace.between(at, at + step) for at in range(trace.first, trace.last + 1, step))
    return [(topic(saw), write_pack(box_of(saw), part, form="cbor")) for part in parts if len(part)]


class Verdict(NamedTuple):
    """What of a saw's readings and facts is missing, too many or otherwise than it must be."""

    readings: int
    facts: int
    lost: int
    doubled: int
    wrong: int

    @property
    def well(self) -> bool:
        return self.readings > 0 and self.facts > 0 and not (self.lost or self.doubled or self.wrong)


class Scene:
    """The workshop of a test: its folder, its broker, and what its boxes have said."""

    def __init__(self, folder: Path, broker: Mosquitto, **house: Any) -> None:
        self.folder, self.broker = folder, broker
        self.stores = folder / "kerfbook-data"
        self.house = Running(folder, broker, SAWS, **house)
        self.said: dict[str, list[Trace]] = {saw: [] for saw in SAWS}

    def say(self, saw: str, trace: Trace) -> list[tuple[str, bytes]]:
        """The packs of a trace that the judge will want to see."""
        self.said[saw].append(trace)
        return packs(saw, trace)

    def met(self) -> None:
        """Until the collector has subscribed: a broker keeps nothing for one that it has never met."""
        hello = [(topic(saw), write_pack(box_of(saw), self._hello(saw))) for saw in SAWS]
        with Publisher(self.broker) as box:
            self.house.hear(box, hello)

    def _hello(self, saw: str) -> Trace:
        if not self.said[saw]:
            at = round((time.time() - 7200) * SECOND)
            beat = Series.of([at], [1])
            self.said[saw].append(Trace(Series.of([at], [0]), beat, Series.empty(), beat))
        return self.said[saw][0]

    def book(self) -> Book:
        return Book(f"sqlite:///{self.stores}/book.sqlite")

    def settled(self, seconds: float = 60) -> None:
        """Until all that was said is derived."""
        with self.book() as book:
            for saw, traces in self.said.items():
                last = max((t.last for t in traces), default=None)
                if last is not None:
                    until(lambda: (now := book.now(saw)) and now.at >= last and not book.dirty(saw), seconds)  # noqa: B023

    def verdict(self, saw: str) -> Verdict:
        """Held against the detector alone, fed with everything that was said in its order of time."""
        said = [t for t in self.said[saw] if len(t)]
        wanted = Trace(
            *(Series.of([int(x) for s in c for x in s.t], [int(x) for s in c for x in s.v]) for c in _columns(said))
        )
        with self.book() as book, SqliteTrace(self.stores / "trace.sqlite", readonly=True) as trace:
            with suppress(AssertionError):  # where the stores fail, a stretch may wait until they do so no more
                until(lambda: not book.dirty(saw), 5)
            settings, found = until(lambda: _of_one_moment(book, saw))
            kept = trace.read(saw, 0, 2**62)
        facts = derive(saw, wanted, settings)
        there = {(k, int(t), int(v)) for k, s in enumerate(kept.series()) for t, v in zip(s.t, s.v, strict=True)}
        meant = {(k, int(t), int(v)) for k, s in enumerate(wanted.series()) for t, v in zip(s.t, s.v, strict=True)}
        wrong = len({*map(repr, found)} ^ {*map(repr, facts)})
        return Verdict(
            len(meant),
            len(facts),
            len(meant - there),
            len(there - meant),
            wrong + len(found) - len({*map(repr, found)}),
        )

    def told(self, kind: str, saw: str = "", seconds: float = 60) -> AlertRow:
        """The alert of this kind, once it was raised."""
        return until(lambda: self._alerts().get((kind, saw)), seconds)

    def troubles(self, kind: str) -> list[Trouble]:
        """What the collector noted of this kind."""
        with self.book() as book:
            return [one for one in TroubleBook(book).since(0) if one.kind == kind]

    def _alerts(self) -> dict[tuple[str, str], AlertRow]:
        try:
            with self.book() as book:
                return {(row.kind, row.saw): row for row in AlertBook(book).latest()}
        except SQLAlchemyError:  # torn, or being mended
            return {}

    def all_is_well(self, seconds: float = 60) -> None:
        """Nothing lost, nothing doubled, all facts as they must be."""
        self.settled(seconds)
        for saw in (saw for saw, said in self.said.items() if len(said) > 1):
            verdict = self.verdict(saw)
            assert verdict.well, (saw, verdict)


def _columns(traces: list[Trace]) -> zip[tuple[Series, ...]]:
    return zip(*(t.series() for t in traces), strict=True)


def _of_one_moment(book: Book, saw: str) -> tuple[DetectSettings, list[Fact]] | None:
    """The settings at work and the facts that follow; None: the collector just learned something."""
    settings = settings_of(book, [saw], DetectSettings())[saw]
    waits = book.dirty(saw)
    found = book.detected(saw, 0, 2**62)
    same = settings == settings_of(book, [saw], DetectSettings())[saw] and waits == book.dirty(saw)
    return (settings, found) if same else None
