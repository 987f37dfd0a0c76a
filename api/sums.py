"""Figures over any time: kept sums of days that are over, and the rest reckoned from the facts.

Both give the same numbers (a tested law), so it never matters which days are kept. `api.keeping` reckons missing days
in the background, one short transaction each; who asks never waits for it and never does its work.
"""

from __future__ import annotations

import hashlib
import threading
from contextlib import contextmanager
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from api.answers.calendar import DAY, instant, planned, shift_bounds, shift_work, site_date
from api.answers.elements import Reason
from api.answers.energy import MEMORY
from api.answers.measures import NAMES, Measures, Stretch, longest, measures
from api.answers.states import Extent, activity, late
from api.memory import Memory
from collector.book.extents import extents
from collector.book.loads import loads
from collector.book.sums import REACH_US, WHOLE_DAY, DaySum
from collector.book.sums import Sums as SumBook
from collector.facts import SECOND
from collector.outline import OPEN, outline_of

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from api.answers.calendar import Shift
    from api.answers.intervals import Spans
    from api.answers.plans import PlanHistory
    from api.answers.states import Activity
    from api.desk import Desk
    from collector.book.sums import Stamp

VERSION = 2
"""Raise it whenever the same facts are to give other numbers: kept sums of before are then reckoned anew."""

SETTLED = REACH_US + 600 * SECOND
"""A day is kept once it is over for so long: no commit of ordinary life touches it any more."""

_FAR = 2**60
_LONG = 40 * 86_400 * SECOND
"""Facts of longer periods are not held."""

_HELD_BYTES, _HELD_BYTES_OF_SAW = 1_000_000, 300_000
"""So much of what was answered is held: the running week and a month of each saw."""


@dataclass(frozen=True, slots=True)
class ShiftFigures:
    """A shift that began on a day, and its measures."""

    day: dt.date
    shift: Shift
    start: int
    end: int
    measures: Measures


@dataclass(frozen=True, slots=True)
class _Facts:
    """What one saw did in a period, ready to be reckoned with."""

    act: Activity
    loads: NDArray[np.int64]
    until: int
    going_on: int
    """Start of the earliest fact that has no end yet."""


class Sums:
    """Figures of a site's saws; safe to use from many threads."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.book = SumBook(desk.book.engine)
        self._bases: dict[tuple[tuple[Shift, ...], ...], str] = {}
        self._memory = Memory(_HELD_BYTES + len(desk.saws) * _HELD_BYTES_OF_SAW)
        self._moment = threading.local()
        self._plan = desk.plan.history
        self._today = site_date(desk.now(), desk.zone)

    # Asking

    def measures(self, saw: str, edges: NDArray[np.int64], *, kept: bool = True) -> NDArray[np.int64]:
        """Measures of each bucket ``[edges[i], edges[i + 1])``, shape (buckets, len(NAMES)).

        Args:
            saw: name of the saw.
            edges: increasing times, at least two.
            kept: False reckons all of it from the facts, for one who asks once: nothing of it is held.
        """
        self._history()
        out = np.zeros((len(edges) - 1, len(NAMES)), np.int64)
        rest = [(int(edges[0]), int(edges[-1]))]
        if kept:
            rows, ends = self._kept(saw, int(edges[0]), int(edges[-1]))
            inside = np.searchsorted(edges, rows[:, 0], side="right") - 1
            whole = ends <= edges[np.minimum(inside + 1, len(edges) - 1)]
            np.add.at(out, inside[whole], rows[whole, 1:])
            rest = _between(rest[0], np.column_stack((rows[whole, 0], ends[whole])).tolist())
        for start, end in rest:
            of = edges[(edges > start) & (edges < end)]
            part = np.array([start, *of.tolist(), end], np.int64)
            first = int(np.searchsorted(edges, start, side="right")) - 1
            out[first : first + len(part) - 1] += self._direct(saw, part, hold=kept)
        return out

    def shifts(self, saw: str, first: dt.date, last: dt.date, *, kept: bool = True) -> list[ShiftFigures]:
        """Every shift that began on the days from ``first`` to ``last`` and before now, in order."""
        self._history()
        zone, now = self.desk.zone, self.desk.now()
        start, end = instant(first, 0, zone), instant(last + DAY, 0, zone)
        last = min(last, site_date(now, zone))
        known = self._kept_shifts(saw, start, end) if kept else {}
        out = [s for d, found in known.items() if d <= last for s in found]
        for a, b in _runs([d for d in _days(first, last) if d not in known]):
            out += [s for s in self._direct_shifts(saw, a, b) if s.start < now]
        return sorted(out, key=lambda s: (s.day, s.start, s.end))

    def longest(
        self, saw: str, first: dt.date, last: dt.date, *, kept: bool = True, most: int | None = None
    ) -> list[Stretch]:
        """The longest stretches of planned time not used, a few of each working day and reason; in order of time.

        A working day goes until the last shift that began on it is over: a stretch runs on past midnight.

        ``most``: of each reason no more than that are wanted; some more may come.
        """
        zone = self.desk.zone
        self._history()
        last = min(last, site_date(self.desk.now(), zone))
        start, end = instant(first, 0, zone), instant(last + DAY, 0, zone)
        known, found = self._kept_stretches(saw, start, end, most) if kept else (frozenset(), [])
        direct = [
            stretch
            for a, b in _runs([d for d in _days(first, last) if d not in known])
            for stretch in self._direct_stretches(saw, a, b)
        ]
        return sorted([*found, *direct], key=lambda s: (s.start, s.why)) if direct else found

    # Keeping

    def missing(self, saw: str, bases: dict[int, str]) -> Iterator[dt.date]:
        """Days of a saw that are over and not kept, the newest first.

        Args:
            saw: name of the saw.
            bases: basis of each kept day by its start.
        """
        desk, now = self.desk, self.desk.now()
        extent = self._extent(saw)
        if extent.first is None:
            return
        day, oldest = site_date(now, desk.zone), site_date(extent.first, desk.zone)
        while day >= oldest:
            if self._until(day) + SETTLED <= now and bases.get(instant(day, 0, desk.zone)) != self._basis(day):
                yield day
            day -= DAY

    def keep(self, saw: str, day: dt.date) -> bool:
        """Reckon a day that is over and keep it; False where a fact that reaches into it is still going on."""
        zone = self.desk.zone
        start, end, until = instant(day, 0, zone), instant(day + DAY, 0, zone), self._until(day)
        with self.book.making(saw) as rows:
            facts = self._facts(saw, start, until, hold=False)
            if facts.going_on < until + REACH_US:
                return False
            edges = np.array([start, end], np.int64)
            working_day = np.array([self._until(day - DAY), until], np.int64)
            stretches = [(s.why, s.start, s.end) for s in self._longest(facts, working_day)]
            basis = self._basis(day)
            rows.append(DaySum(start, WHOLE_DAY, until, basis, self._reckon(facts, edges)[0].tolist(), stretches))
            for i, shift in enumerate(self._of_shifts(facts, day)):
                rows.append(DaySum(start, i + 1, until, basis, shift.measures.row))
        return True

    # Inside

    def _history(self) -> PlanHistory:
        """The plan; what was reckoned with another one is forgotten, and so is what was asked for on another day.

        Most answers are of a running day or week, and the next day nobody asks for quite the same again.
        """
        history, today = self.desk.plan.history, site_date(self.desk.now(), self.desk.zone)
        if history is not self._plan or today != self._today:
            self._memory.clear()
            self._plan, self._today = history, today
        return history

    def _until(self, day: dt.date) -> int:
        """When a day and all shifts that began on it are over."""
        zone = self.desk.zone
        ends = [shift_bounds(day, shift, zone)[1] for shift in self.desk.plan.shifts_on(day)]
        return max([instant(day + DAY, 0, zone), *ends])

    def _basis(self, day: dt.date) -> str:
        """What a day's sums depend on besides facts: its plan (last night's shift reaches in), and settings."""
        plan = self._history()
        key = (plan.shifts_on(day - DAY), plan.shifts_on(day))
        found = self._bases.get(key)
        if found is None:
            site = self.desk.site
            text = repr((VERSION, site.zone, site.busy_gap, key))
            found = self._bases[key] = hashlib.blake2b(text.encode(), digest_size=12).hexdigest()
        return found

    def _kept(self, saw: str, start: int, end: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Kept rows of the days that start in a period, and when those days end."""
        return self._memory.of(("days", saw, start, end), self._stamp().sums, lambda: self._read_days(saw, start, end))

    def _read_days(self, saw: str, start: int, end: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        zone = self.desk.zone
        rows, bases = self.book.days(saw, start, end)
        days = [site_date(at, zone) for at in rows[:, 0].tolist()]
        good = np.array([b == self._basis(d) for b, d in zip(bases, days, strict=True)], np.bool_)
        nexts = rows[1:, 0].tolist()
        ends = [
            nexts[i] if i < len(nexts) and days[i + 1] - d == DAY else instant(d + DAY, 0, zone)
            for i, d in enumerate(days)
        ]
        return rows[good], np.array(ends, np.int64)[good]

    def _kept_shifts(self, saw: str, start: int, end: int) -> dict[dt.date, list[ShiftFigures]]:
        """The shifts of the days that start in a period, of those days of which all that are planned are kept."""

        def read() -> dict[dt.date, list[ShiftFigures]]:
            zone = self.desk.zone
            rows: dict[int, list[DaySum]] = {}
            for row in self.book.shifts(saw, start, end):
                rows.setdefault(row.start, []).append(row)
            out = {}
            for day in _days(site_date(start, zone), site_date(end - 1, zone)):
                shifts, basis = self.desk.plan.shifts_on(day), self._basis(day)
                found = [r for r in rows.get(instant(day, 0, zone), ()) if r.basis == basis]
                if [r.part for r in found] == list(range(1, len(shifts) + 1)):
                    out[day] = [
                        ShiftFigures(day, shift, *shift_bounds(day, shift, zone), Measures(*row.numbers))
                        for shift, row in zip(shifts, found, strict=True)
                    ]
            return out

        return self._memory.of(("shifts", saw, start, end), self._stamp().sums, read)

    def _kept_stretches(
        self, saw: str, start: int, end: int, most: int | None
    ) -> tuple[frozenset[dt.date], list[Stretch]]:
        """The days that have kept stretches, and those, in order of time; of each reason the ``most`` longest."""

        def read() -> tuple[frozenset[dt.date], list[Stretch]]:
            days, out = set(), []
            for at, basis, rows in self.book.stretches(saw, start, end):
                day = site_date(at, self.desk.zone)
                if basis == self._basis(day) and isinstance(rows, list):
                    days.add(day)
                    out += [Stretch(Reason(why), a, b) for why, a, b in rows]
            if most is not None:
                by_length = sorted(out, key=lambda s: s.start - s.end)
                top = [s for why in Reason for s in [s for s in by_length if s.why is why][:most]]
                out = sorted(top, key=lambda s: (s.start, s.why))
            return frozenset(days), out

        return self._memory.of(("stretches", saw, start, end, most), self._stamp().sums, read)

    def _direct(self, saw: str, edges: NDArray[np.int64], *, hold: bool) -> NDArray[np.int64]:
        start, end = int(edges[0]), int(edges[-1])
        revision, until = self._state(saw)
        first = self._extent(saw).first
        unheard = first is None or end <= first  # no fact begins before the first reading

        def reckon() -> NDArray[np.int64]:
            return self._reckon(_silence(until) if unheard else self._facts(saw, start, end, hold=hold), edges)

        if not hold:
            return reckon()
        state = (None if unheard else revision, min(until, end))
        return self._memory.of(("direct", saw, edges.tobytes()), state, reckon)

    def _direct_shifts(self, saw: str, first: dt.date, last: dt.date) -> list[ShiftFigures]:
        def reckon() -> list[ShiftFigures]:
            zone = self.desk.zone
            facts = self._facts(saw, instant(first, 0, zone), instant(last + 2 * DAY, 0, zone))
            return [s for d in _days(first, last) for s in self._of_shifts(facts, d)]

        return self._memory.of(("direct shifts", saw, first, last), self._state(saw), reckon)

    def _direct_stretches(self, saw: str, first: dt.date, last: dt.date) -> list[Stretch]:
        def reckon() -> list[Stretch]:
            # A night's standing is one stretch: it belongs to the day on which its shift began.
            edges = np.array([self._until(d) for d in _days(first - DAY, last)], np.int64)
            facts = self._facts(saw, instant(first, 0, self.desk.zone), int(edges[-1]))
            return self._longest(facts, edges)

        return self._memory.of(("direct stretches", saw, first, last), self._state(saw), reckon)

    @contextmanager
    def one_moment(self) -> Iterator[None]:
        """Many questions of one thread in the block are answered as of one revision: the book is asked for it once."""
        self._moment.stamp = self.book.stamp()
        try:
            yield
        finally:
            self._moment.stamp = None

    def _stamp(self) -> Stamp:
        """The book's moment, read before the facts: what comes in between is read again next time."""
        return getattr(self._moment, "stamp", None) or self.book.stamp()

    def _state(self, saw: str) -> tuple[int, int]:
        """What figures reckoned from facts depend on besides: the saw's revision, and where the reckoning ends."""
        stamp = self._stamp()
        return stamp.saws.get(saw, 0), self._extent(saw, stamp).counted_until(self.desk.now())

    def _extent(self, saw: str, stamp: Stamp | None = None) -> Extent:
        engine = self.desk.book.engine
        found = self._memory.of(("extents",), (stamp or self._stamp()).saws, lambda: extents(engine))
        first, last, skew = found.get(saw, (None, None, None))
        return Extent(first, last, late(skew))

    def _facts(self, saw: str, start: int, end: int, *, hold: bool = True) -> _Facts:
        """Facts of a period and everything beside it that can count in it."""
        desk, gap = self.desk, self.desk.site.busy_gap
        if end > desk.now():  # one reading of all that there is does for every question about an unfinished day
            end = _FAR
        revision, until = self._state(saw)

        def read() -> _Facts:
            extent = self._extent(saw)
            outline = desk.book.outline(saw, start - gap, end + gap)
            going_on = outline[outline[:, 2] == OPEN, 1]
            act = activity(outline, extent, extent.last or desk.now())
            return _Facts(act, loads(desk.book, saw, start - MEMORY, end), until, int(going_on.min(initial=OPEN)))

        if not hold or (end - start > _LONG and end != _FAR):
            return read()
        return replace(self._memory.of(("facts", saw, start, end), revision, read), until=until)

    def _planned(self, start: int, end: int) -> Spans:
        """Planned working time, worked out once for all saws."""
        history = self._history()
        return self._memory.of(("planned", start, end), None, lambda: planned(history, self.desk.zone, start, end))

    def _reckon(self, facts: _Facts, edges: NDArray[np.int64]) -> NDArray[np.int64]:
        plan = self._planned(int(edges[0]), int(edges[-1]))
        return measures(facts.act, facts.loads, plan, edges, self.desk.site.busy_gap, facts.until)

    def _longest(self, facts: _Facts, days: NDArray[np.int64]) -> list[Stretch]:
        plan = self._planned(int(days[0]), int(days[-1]))
        return longest(facts.act, plan, days, self.desk.site.busy_gap, facts.until)

    def _of_shifts(self, facts: _Facts, day: dt.date) -> list[ShiftFigures]:
        desk, out = self.desk, []
        for shift in desk.plan.shifts_on(day):
            start, end = shift_bounds(day, shift, desk.zone)
            work, edges = shift_work(day, shift, desk.zone), np.array([start, end], np.int64)
            row = measures(facts.act, facts.loads, work, edges, desk.site.busy_gap, facts.until)[0]
            out.append(ShiftFigures(day, shift, start, end, Measures.of(row)))
        return out


def _silence(until: int) -> _Facts:
    """What is known of a time in which a box was not heard."""
    act = activity(outline_of(()), Extent(None, None), until)
    return _Facts(act, np.empty((0, 4), np.int64), until, OPEN)


def _days(first: dt.date, last: dt.date) -> list[dt.date]:
    return [first + i * DAY for i in range((last - first).days + 1)]


def _runs(days: Sequence[dt.date]) -> list[tuple[dt.date, dt.date]]:
    """First and last day of each run of days that follow one another."""
    if not days:
        return []
    breaks = [i + 1 for i, (a, b) in enumerate(pairwise(days)) if b - a != DAY]
    bounds = [0, *breaks, len(days)]
    return [(days[a], days[b - 1]) for a, b in pairwise(bounds)]


def _between(whole: tuple[int, int], parts: Sequence[Sequence[int]]) -> list[tuple[int, int]]:
    """What of a period lies in none of the parts, which are in order and disjoint."""
    out, at = [], whole[0]
    for start, end in parts:
        if start > at:
            out.append((at, start))
        at = end
    if at < whole[1]:
        out.append((at, whole[1]))
    return out
