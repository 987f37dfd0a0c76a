"""Maintenance of the site's saws as it stands: reads the book, and lets `api.answers.occurrences` judge."""

from __future__ import annotations

import datetime as dt
import threading
from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from api.answers.braking import slow
from api.answers.calendar import DAY, instant, site_date
from api.answers.intervals import spans, subtract
from api.answers.messages import Shop
from api.answers.occurrences import Occurrence, SawPast, TickEntry, occurrences, standing
from api.answers.starter import starter_tasks
from api.answers.tasks import ByCalendar, BySign, ByUse, Task, Version, as_body, from_body
from api.answers.use import stood_still, usage
from api.answers.workdays import Workdays
from collector.book.maintenance import MaintenanceBook, TaskRow
from collector.facts import SECOND, Cut, Gap, Run

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from api.desk import Desk
    from collector.book.maintenance import TickRow

KEPT = 120 * SECOND
"""What is derived of a saw's long past is kept so long: late data shows in maintenance after this."""

KEPT_ANSWERS = 64
REREAD = 6 * 3600 * SECOND
SETTLED = 3 * 86_400 * SECOND

Sign = list[tuple[int, int | None]]


@dataclass(frozen=True, slots=True)
class _Known:
    """What was read of one saw, and when."""

    at: int
    first: dt.date
    past: SawPast


@dataclass(frozen=True, slots=True)
class _Record:
    """Rows of one saw since ``start``, read in full at ``read``; those before ``settled`` are taken to stay."""

    start: int
    read: int
    settled: int
    runs: NDArray[np.int64]
    gaps: NDArray[np.int64]
    cuts: NDArray[np.int64]
    stops: NDArray[np.int64]
    with_cuts: bool

    def then(self, newer: _Record) -> _Record:
        """This up to ``settled``, and from there on the newer rows."""

        def joined(a: NDArray[np.int64], b: NDArray[np.int64]) -> NDArray[np.int64]:
            return np.concatenate((a[a[:, 0] < self.settled], b))

        return _Record(
            self.start,
            self.read,
            newer.settled,
            joined(self.runs, newer.runs),
            joined(self.gaps, newer.gaps),
            joined(self.cuts, newer.cuts),
            joined(self.stops, newer.stops),
            self.with_cuts,
        )


class Tending:
    """Tasks, ticks and occurrences of a site; safe to use from many threads."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.book = MaintenanceBook(desk.book)
        self.days = Workdays(desk.plan, desk.zone)
        self._lock = threading.Lock()
        self._mark = (-1, -1)
        self._versions: dict[str, list[Version]] = {}
        self._ticks: dict[str, list[TickEntry]] = {}
        self._known: dict[str, _Known] = {}
        self._records: dict[str, _Record] = {}
        self._found: dict[object, tuple[list[TickEntry], SawPast, list[Occurrence]]] = {}
        self._signs: dict[str, Callable[[str, int], Sign]] = {}

    def add_sign(self, name: str, shown: Callable[[str, int], Sign]) -> None:
        """Lets tasks be due by a further sign: a function of saw and time that gives its stretches."""
        self._signs[name] = shown

    def begin(self, now: int) -> None:
        """Writes the starter tasks where there never was a task; they are due from that day on."""
        since = instant(site_date(now, self.desk.zone), 0, self.desk.zone)
        rows = [TaskRow(t.name, since, as_body(t), "", now) for t in starter_tasks()]
        self.book.put_tasks(rows, only_if_empty=True)

    def edit(self, task: Task, who: str, now: int) -> None:
        """A new version of a task, in force from the beginning of the site's today."""
        since = instant(site_date(now, self.desk.zone), 0, self.desk.zone)
        self.book.put_tasks([TaskRow(task.name, since, as_body(task), who, now)])

    # What there is

    def versions(self) -> dict[str, list[Version]]:
        """Every task's versions, one a day at most: the last of a day counts."""
        self._refresh()
        return self._versions

    def tasks(self) -> dict[str, Task]:
        """The newest version of every task."""
        return {name: of[-1].task for name, of in self.versions().items()}

    def shop(self, address: str) -> Shop:
        """What messages must know of the place, whose server is at an address."""
        tasks = {name: t.title for name, t in self.tasks().items()}
        saws = {name: saw.title for name, saw in self.desk.saws.items()}
        return Shop(self.desk.site.title, self.desk.zone, saws, tasks, address)

    def ticks(self, saw: str) -> list[TickEntry]:
        """All that was said about a saw, corrected or not."""
        self._refresh()
        return self._ticks.setdefault(saw, [])

    def _refresh(self) -> None:
        with self._lock:
            mark = self.book.mark()
            if mark[0] != self._mark[0]:
                self._found.clear()
                found: dict[str, dict[dt.date, Version]] = defaultdict(dict)
                for row in self.book.tasks():
                    since = site_date(row.since_us, self.desk.zone)
                    found[row.name][since] = Version(from_body(row.body), since)
                self._versions = {name: [of[day] for day in sorted(of)] for name, of in found.items()}
                self._known.clear()
            if mark[1] != self._mark[1]:
                ticks: dict[str, list[TickEntry]] = {saw: [] for saw in self.desk.saws}
                for tick in self.book.ticks():
                    ticks.setdefault(tick.saw, []).append(entry(tick))
                self._ticks = ticks  # new lists: what was reckoned from the old ones is outdated
            self._mark = mark

    # What became of it

    def occurrences(
        self, saw: str, first: dt.date, last: dt.date, now: int, names: Sequence[str] | None = None
    ) -> list[Occurrence]:
        """Occurrences at one saw with due days from ``first`` to ``last``, in order of due day, then task."""
        self._refresh()
        versions, ticks = self._versions, self._ticks.setdefault(saw, [])
        past = self._past(saw, first, now)
        asked = (saw, first, last, None if names is None else tuple(names))
        kept = self._found.get(asked)
        everything = all(t.said <= now for t in ticks)  # else the clock stands in the past, and some is not yet said
        if kept is not None and everything and kept[0] is ticks and kept[1] is past:
            return kept[2]
        so_far = replace(past, ticks=standing(ticks, now))
        found = [
            o
            for name, of in versions.items()
            if names is None or name in names
            for o in occurrences(of, saw, self.days, first, last, so_far)
        ]
        found.sort(key=lambda o: (o.day, o.task))
        if everything:
            self._found[asked] = (ticks, past, found)
            while len(self._found) > KEPT_ANSWERS:
                self._found.pop(next(iter(self._found)), None)
        return found

    def _past(self, saw: str, first: dt.date, now: int) -> SawPast:
        known = self._known.get(saw)
        if known is not None and known.first <= first and 0 <= now - known.at < KEPT:
            return known.past
        tasks = [v.task for of in self._versions.values() for v in of]
        begun = min((of[0].since for of in self._versions.values()), default=first)
        by_use = [t.when.measure for t in tasks if isinstance(t.when, ByUse)]
        start = instant(begun if by_use else max(begun, first - 31 * DAY), 0, self.desk.zone)
        end = max(now, start + 1)
        of_cuts = any(measure != "motor_hours" for measure in by_use)
        record = self._record(saw, start, end, cuts=of_cuts)
        runs, gaps, stops = record.runs, record.gaps, record.stops
        signs: dict[str, Sign] = {"braking-slow": [(a, b) for a, b, _ in slow(stops)]}
        for task in tasks:
            if isinstance(task.when, BySign) and task.when.sign in self._signs:
                signs[task.when.sign] = self._signs[task.when.sign](saw, now)
        extent = self.desk.extent(saw, self.desk.book.now(saw))
        heard = spans([] if extent.first is None or extent.last is None else [(extent.first, extent.last)])
        plan = self.desk.planned(start, end)
        day = max(first - 31 * DAY, begun)
        today = site_date(now, self.desk.zone)
        ran, silent = (spans(np.minimum(rows, end)) for rows in (runs, gaps))  # what is open reaches to now
        stood = stood_still(ran, subtract(heard, silent), plan, self.desk.zone, day, today - DAY)
        past = SawPast(use=usage(runs, record.cuts), signs=signs, stops=stops, stood=stood)
        self._known[saw] = _Known(now, first, past)
        return past

    def _record(self, saw: str, start: int, end: int, *, cuts: bool) -> _Record:
        """A saw's long past; what is older than three days is read again only every few hours."""
        old = self._records.get(saw)
        fits = old is not None and old.start == start and (old.with_cuts or not cuts) and 0 <= end - old.read < REREAD
        since = old.settled if old is not None and fits else start
        read = _Record(
            start,
            old.read if old is not None and fits else end,
            max(start, end - SETTLED),
            self.book.stretches(saw, Run.kind, since, end),
            self.book.stretches(saw, Gap.kind, since, end),
            self.book.stretches(saw, Cut.kind, since, end if cuts else since),
            self.book.stops(saw, since, end),
            cuts,
        )
        if old is not None and fits:
            read = old.then(read)
        self._records[saw] = read
        return read

    def exists(self, task: Task, saw: str, key: str, now: int) -> bool:
        """Whether a task has such an occurrence at a saw; one that goes by use or a sign can be done at any time."""
        if not isinstance(task.when, ByCalendar):
            return not task.saws or saw in task.saws
        try:
            nominal = dt.date.fromisoformat(key)
        except ValueError:
            return False
        if not 2000 <= nominal.year < 2100:
            return False
        found = self.occurrences(saw, nominal - 45 * DAY, nominal + 45 * DAY, now, [task.name])
        return any(o.key == key for o in found)

    def used(self, saw: str, measure: str, since: int, now: int) -> float:
        """How much a saw was used since a time, by one of `api.answers.tasks.MEASURES`."""
        self._refresh()
        curve = self._past(saw, site_date(now, self.desk.zone), now).use.get(measure)
        return 0.0 if curve is None else curve.at(now) - curve.at(since)


def entry(tick: TickRow) -> TickEntry:
    """A row of the book as the answers know it."""
    return TickEntry(
        tick.id,
        tick.task,
        tick.saw,
        tick.occurrence,
        tick.done_us,
        tick.who,
        tick.role,
        tick.note,
        tick.said_us,
        tick.replaces,
        tick.withdrawn,
    )
