"""What every subject of the API works with: the site, the two stores and the clock."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

from api.answers.calendar import day_bounds, planned, site_date
from api.answers.states import Activity, Extent, activity, late
from api.planning import Planning
from collector.facts import SECOND
from collector.signals import SIGNALS

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Collection, Iterator, Sequence
    from zoneinfo import ZoneInfo

    from api.answers.intervals import Spans
    from api.site import SawTitle, Site
    from collector.book.book import Book
    from collector.book.entries import NowEntry
    from collector.facts import Fact
    from collector.signals import Trace
    from collector.trace.slices import Minutes, Slices

_FIRST_KEPT = 60 * SECOND
_FIRST_WINDOW = 86_400 * SECOND
_LAST_WINDOW = 64 * _FIRST_WINDOW


class Clock(Protocol):
    """The present; the module `time` is one."""

    def time(self) -> float:
        """Seconds since 1970, UTC."""


class TraceReader(Protocol):
    """What the API needs of a trace store."""

    def read(self, saw: str, start_us: int, end_us: int, signals: Collection[str] = SIGNALS) -> Trace:
        """The readings with ``start_us <= t < end_us`` of these signals."""

    def slices(self, saw: str, start_us: int, end_us: int, width_us: int) -> Slices:
        """The motor's readings of a period in slices."""

    def complete_from(self, saw: str) -> int:
        """From this time on all readings are kept, of those before it minutes."""

    def minutes(self, saw: str, start_us: int, end_us: int) -> dict[str, Minutes]:
        """By signal, the kept minutes that begin in the period."""


@dataclass(slots=True)
class Desk:
    """Reads the stores for one site; safe to use from many threads, as the stores are."""

    site: Site
    book: Book
    trace: TraceReader
    clock: Clock
    zone: ZoneInfo = field(init=False)
    saws: dict[str, SawTitle] = field(init=False)
    plan: Planning = field(init=False)
    _first: dict[str, tuple[int, int]] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        self.zone = self.site.tz
        self.saws = {saw.name: saw for saw in self.site.saws}
        self.plan = Planning(self.book, self.site)

    def now(self) -> int:
        """The present, microseconds UTC."""
        return round(self.clock.time() * 1_000_000)

    def today(self, now: int) -> tuple[int, int]:
        """Start and end of the site's day."""
        return day_bounds(now, self.zone)

    def day(self, t: int) -> dt.date:
        """The site's date at a time."""
        return site_date(t, self.zone)

    def date(self, t: int) -> str:
        """The site's date at a time, ``2026-03-02``."""
        return site_date(t, self.zone).isoformat()

    def planned(self, start: int, end: int) -> Spans:
        """Planned working time of a period."""
        return planned(self.plan, self.zone, start, end)

    def extent(self, saw: str, entry: NowEntry | None, *, kept: int = _FIRST_KEPT) -> Extent:
        """From when to when the saw's box was heard of; the first reading as it was known ``kept`` µs ago at most."""
        if entry is None:
            return Extent(None, None)
        first, checked = self._first.get(saw, (entry.at, 0))
        now = self.now()
        if now - checked >= kept:  # it can move: a box may deliver older readings late
            # The book keeps no first reading, but what it derived begins there: with a fact, or, where the
            # motor was off, with the first rest point, half a minute in.
            begun = self.book.beginning(saw)
            if begun is not None:
                first = min(entry.at, begun)
                self._first[saw] = (first, now)
        return Extent(first, entry.at, late(entry.clock_skew_us))

    def activity(self, saw: str, start: int, end: int, until: int, entry: NowEntry | None) -> Activity:
        """What the saw did in a period and a busy gap around it, open facts up to ``until``."""
        gap = self.site.busy_gap
        return activity(self.book.outline(saw, start - gap, end + gap), self.extent(saw, entry), until)

    def facts(self, saw: str, start: int, end: int, kinds: Sequence[str] | None) -> Iterator[Fact]:
        """Facts that overlap a period, in order of start, read piece by piece to spare memory."""
        window = _FIRST_WINDOW
        at = start
        while at < end:
            stop = min(at + window, end)
            for fact in self.book.facts(saw, at, stop, kinds):
                if at == start or fact.start >= at:  # else it was in the piece before
                    yield fact
            at, window = stop, min(window * 4, _LAST_WINDOW)
