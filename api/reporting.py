"""Reports: some saws over a period of days, against each other, against the plan, and against another period."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from api.answers.calendar import DAY, bucket_edges, instant
from api.answers.measures import NAMES, Energy, Measures, energy

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from api.answers.energy import Supply
    from api.answers.measures import Stretch
    from api.answers.periods import Period
    from api.desk import Desk
    from api.site import SawTitle
    from api.sums import Sums

STRETCHES = 8
"""So many of the longest stretches are told,"""

OF_A_REASON = 3
"""and at most so many of one reason, so that a box without power hides nothing else."""


@dataclass(frozen=True, slots=True)
class Figures:
    """A period's figures: the whole shop's, and each saw's in the order of the site."""

    period: Period
    total: Measures
    saws: tuple[tuple[SawTitle, Measures], ...]


@dataclass(frozen=True, slots=True)
class Bucket:
    """A day, week or month of a report, cut to its period; µs UTC."""

    start: int
    end: int
    total: Measures
    saws: tuple[Measures, ...]


@dataclass(frozen=True, slots=True)
class ShiftRow:
    """All shifts of one name in a period (of one clock time, where they have none)."""

    title: str
    times: int
    total: Measures
    saws: tuple[Measures, ...]


@dataclass(frozen=True, slots=True)
class Report:
    """A report.

    Attributes:
        now: when it was made, µs UTC.
        start, end: of the period, µs UTC.
        figures: of the period.
        against: of the period it is compared with, None: with none.
        by: what the buckets are, ``day``, ``week`` or ``month``.
        buckets: its parts.
        shifts: its shifts, in the order of the day; empty where there are more than 35 days.
        longest: the longest stretches of planned time not used, longest first, at most three of one reason.
        supply: what energy is estimated with.
    """

    now: int
    start: int
    end: int
    figures: Figures
    against: Figures | None
    by: str
    buckets: tuple[Bucket, ...]
    shifts: tuple[ShiftRow, ...]
    longest: tuple[tuple[SawTitle, Stretch], ...]
    supply: Supply

    @property
    def running(self) -> bool:
        """Whether the period is not over yet."""
        return self.now < self.end

    def energy(self, m: Measures) -> Energy:
        """The energy of some of its measures, estimated [kWh]."""
        return energy(m, self.supply)


class Reporting:
    """Makes reports of a site; safe to use from many threads."""

    def __init__(self, desk: Desk, sums: Sums) -> None:
        self._desk = desk
        self.sums = sums

    def today(self) -> dt.date:
        """The site's date."""
        return self._desk.day(self._desk.now())

    @property
    def busy_gap_seconds(self) -> float:
        """Pauses between two cuts shorter than this are in use."""
        return self._desk.site.busy_gap_seconds

    def report(self, period: Period, saws: Sequence[SawTitle], against: Period | None = None) -> Report:
        """A report of some saws."""
        with self.sums.one_moment():
            return self._report(period, saws, against)

    def _report(self, period: Period, saws: Sequence[SawTitle], against: Period | None) -> Report:
        desk = self._desk
        start, end = self._bounds(period)
        edges = bucket_edges(start, end, period.divided, desk.zone)
        rows = [self.sums.measures(saw.name, edges) for saw in saws]
        totals = sum(rows, np.zeros((len(edges) - 1, len(NAMES)), np.int64))
        buckets = tuple(
            Bucket(int(edges[i]), int(edges[i + 1]), Measures.of(totals[i]), tuple(Measures.of(r[i]) for r in rows))
            for i in range(len(edges) - 1)
        )
        return Report(
            desk.now(),
            start,
            end,
            _figures(period, saws, [r.sum(axis=0) for r in rows]),
            None if against is None else self._figures(against, saws),
            period.divided,
            buckets,
            self._shifts(period, saws) if period.days <= 35 else (),
            self._longest(period, saws),
            desk.site.supply,
        )

    def _bounds(self, period: Period) -> tuple[int, int]:
        return instant(period.first, 0, self._desk.zone), instant(period.last + DAY, 0, self._desk.zone)

    def _figures(self, period: Period, saws: Sequence[SawTitle]) -> Figures:
        edges = np.array(self._bounds(period), np.int64)
        return _figures(period, saws, [self.sums.measures(saw.name, edges)[0] for saw in saws])

    def _shifts(self, period: Period, saws: Sequence[SawTitle]) -> tuple[ShiftRow, ...]:
        found: dict[str, list[NDArray[np.int64]]] = {}
        begins: dict[str, int] = {}
        dates: dict[str, set[int]] = {}
        for i, saw in enumerate(saws):
            for shift in self.sums.shifts(saw.name, period.first, period.last):
                title = shift.shift.name or shift.shift.clock.replace("-", "–")  # noqa: RUF001 (an en dash is meant)
                rows = found.setdefault(title, [np.zeros(len(NAMES), np.int64) for _ in saws])
                rows[i] += shift.measures.row
                begins[title] = min(begins.get(title, shift.shift.start), shift.shift.start)
                dates.setdefault(title, set()).add(shift.start)
        return tuple(
            ShiftRow(
                title,
                len(dates[title]),
                Measures.of(np.sum(found[title], axis=0)),
                tuple(Measures.of(r) for r in found[title]),
            )
            for title in sorted(found, key=lambda t: begins[t])
        )

    def _longest(self, period: Period, saws: Sequence[SawTitle]) -> tuple[tuple[SawTitle, Stretch], ...]:
        first, last = period.first, period.last
        found = [(saw, s) for saw in saws for s in self.sums.longest(saw.name, first, last, most=OF_A_REASON)]
        lasted = np.array([s.end - s.start for _, s in found], np.int64)
        told = Counter[str]()
        out: list[tuple[SawTitle, Stretch]] = []
        for i in np.argsort(-lasted, kind="stable").tolist():
            saw, stretch = found[i]
            if told[stretch.why] < OF_A_REASON:
                told[stretch.why] += 1
                out.append((saw, stretch))
                if len(out) == STRETCHES:
                    break
        return tuple(out)


def _figures(period: Period, saws: Sequence[SawTitle], rows: Sequence[NDArray[np.int64]]) -> Figures:
    total = sum(rows, np.zeros(len(NAMES), np.int64))
    pairs = tuple((saw, Measures.of(row)) for saw, row in zip(saws, rows, strict=True))
    return Figures(period, Measures.of(np.asarray(total)), pairs)
