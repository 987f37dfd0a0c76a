"""The blades of a site: where each is, what it cut, how it wears, when it will be due."""

from __future__ import annotations

import datetime as dt
import threading
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from api.answers.blade_cost import BladeUse
from api.answers.blades import Life, Place, Service, lives, sits_on, spans
from api.answers.calendar import instant, site_date
from api.answers.candidates import Opening, openings, unanswered
from api.answers.fittings import CHANGE, CLEANED, Fitting, fittings, standing
from api.answers.forecast import FEWEST_REMOVALS, DaysLeft, Weibull, days_left, fit_weibull, spares
from api.answers.service_limits import Limits, Spent, Use, limits_of, spent, use_of
from api.answers.wear import BASELINE, HISTORY, Chart, Cuts, Yardstick, chart, yardstick
from collector.book.blades import BladeBook
from collector.facts import SECOND

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from api.desk import Desk
    from collector.book.blade_entries import BladeEvent, ChangeSaid

DAY = 86_400 * SECOND
PACE_WEEKS = 8
ASKED_DAYS = 14
"""An opening of the door older than this is not asked about any more on the phone; it can still be said."""


@dataclass(frozen=True, slots=True)
class Said:
    """All that was ever said about blades, and what follows from it without a look at any cut."""

    changes: list[ChangeSaid]
    events: list[BladeEvent]
    lives: dict[str, Life]
    fittings: list[Fitting]

    def on(self, saw: str) -> Life | None:
        """The blade that sits on a saw now; None where nobody knows."""
        return sits_on(self.lives.values(), saw)


@dataclass(frozen=True, slots=True)
class Wear:
    """What the control chart says of a blade's newest service.

    ``chart`` is None while it learns: ``learned`` of ``needed`` cuts.
    """

    learned: int
    needed: int
    chart: Chart | None


@dataclass(frozen=True, slots=True)
class Due:
    """A blade against its limits: used so far, how far that is, and the days that are left at this saw's pace."""

    use: Use
    limits: Limits
    spent: Spent
    left: DaysLeft | None


@dataclass(frozen=True, slots=True)
class Stock:
    """Lives of blades and the spare ones that the shop needs; a field is None where too little is known.

    Attributes:
        lives: fitted to cuts per service.
        removals: services that ended.
        days: the same lives as days at the present pace of an average saw.
        turnaround_days: from out to back sharp; ``turnaround_known``: from the shop's own entries.
        needed: sharp blades that must lie in the rack.
        sharp: how many do.
    """

    lives: Weibull | None
    removals: int
    days: Weibull | None
    turnaround_days: float
    turnaround_known: bool
    needed: int | None
    sharp: int


class Rack:
    """Reads what was said and what was cut, and answers; safe to use from many threads."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self.book = BladeBook(desk.book)
        self._lock = threading.Lock()
        self._said: tuple[tuple[int, int, int], Said] | None = None

    def said(self) -> Said:
        """Everything said so far; read again only when something was added."""
        size = self.book.size()
        with self._lock:
            if self._said is None or self._said[0] != size:
                self._said = (size, self.said_until(2**62))
            return self._said[1]

    def said_until(self, until: int) -> Said:
        """What had been said by a moment, read now."""
        sheets = [s for s in self.book.sheets() if s.said_us <= until]
        changes = [c for c in self.book.changes() if c.said_us <= until]
        events = [e for e in self.book.events() if e.said_us <= until]
        return Said(changes, events, lives(sheets, changes, events), fittings(changes, events))

    def tags(self) -> list[str]:
        """The blades that are not scrapped."""
        return [life.tag for life in self.said().lives.values() if life.place is not Place.SCRAPPED]

    # What blades cut

    def use(self, service: Service, until: int) -> Use:
        """What a service cut."""
        uses = self.book.use(spans(service, until))
        feed = self._desk.site.blades.feed_m_min
        return sum((use_of(number, length, feed) for number, length in uses), Use())

    def sitting(self, saws: Iterable[str], until: int) -> dict[str, tuple[Life, int]]:
        """For each saw with a known blade: the blade, and its cuts since it was sharpened."""
        said = self.said()
        on = {saw: life for saw in saws if (life := said.on(saw)) is not None}
        counts = self.book.count_cuts(*(spans(life.service, until) for life in on.values())) if on else []
        return {saw: (life, n) for (saw, life), n in zip(on.items(), counts, strict=True)}

    def due(self, life: Life, now: int, *, pace: dict[str, list[Use]] | None = None) -> Due:
        """How far a blade is from its limits; ``pace``: kept between several blades of one answer."""
        use, limits = self.use(life.service, now), limits_of(life.sheet)
        left = None
        if life.place is Place.SAW and life.saw is not None:
            known = {} if pace is None else pace
            daily = known.get(life.saw) or known.setdefault(life.saw, self.pace(life.saw, now))
            parts = [
                days_left(limits.cuts - use.cuts, [float(u.cuts) for u in daily]),
                days_left(limits.minutes - use.minutes, [u.minutes for u in daily]),
                days_left(limits.metres - use.metres, [u.metres for u in daily]),
            ]
            left = min((p for p in parts if p is not None), key=lambda p: p.median, default=None)
        return Due(use, limits, spent(use, limits), left)

    def pace(self, saw: str, now: int) -> list[Use]:
        """What the saw cut on each calendar day of the last whole weeks with data, oldest first."""
        zone = self._desk.zone
        today = site_date(now, zone)
        first = self._desk.extent(saw, self._desk.book.now(saw)).first
        if first is None:
            return []
        known = (today - site_date(first, zone)).days
        days = min(PACE_WEEKS, max(known // 7, 1)) * 7
        days = min(days, max(known, 1))
        edges = [instant(today - dt.timedelta(days=k), 0, zone) for k in range(days, -1, -1)]
        feed = self._desk.site.blades.feed_m_min
        return [use_of(number, length, feed) for number, length in self.book.daily(saw, edges)]

    # Wear

    def wear(self, service: Service, now: int) -> Wear:
        """The control chart of one service."""
        sat = spans(service, now)
        stick = self._yardstick(*sat[0][:2]) if sat else None
        rows = [self.book.cuts(*span) for span in sat]
        number = sum(map(len, rows))
        if stick is None or number < BASELINE:
            return Wear(min(number, BASELINE), BASELINE, None)
        return Wear(BASELINE, BASELINE, chart(Cuts.of(np.concatenate(rows)), stick))

    def counting(self, service: Service, until: int) -> NDArray[np.int64]:
        """Start and end of the cuts of a service that count, in order of start; shape (n, 2), microseconds."""
        rows = [self.book.counting(*span) for span in spans(service, until)]
        return np.concatenate(rows) if rows else np.empty((0, 2), np.int64)

    def _yardstick(self, saw: str, before: int) -> Yardstick | None:
        """From the saw's cuts before a service; where those are too few, from the first ones of all."""
        rows = self.book.cuts(saw, -(2**62), before, newest=HISTORY)
        if len(rows) < BASELINE * 2:
            rows = self.book.cuts(saw, -(2**62), 2**62, newest=HISTORY)
        return yardstick(Cuts.of(rows))

    # The shop

    def cost_of(self, life: Life, now: int) -> BladeUse:
        """What a blade cost and cut."""
        uses = [(s, self.use(s, now)) for s in life.services]
        return BladeUse(
            life.sheet.tooth_form or "not said",
            life.sheet.price_cents,
            [s.price_cents for s in life.services[1:]],
            [u for s, u in uses if s.ended is not None],
            sum((u for s, u in uses if s.ended is None), Use()),
            life.sheet.sharpenings_limit,
        )

    def stock(self, said: Said, now: int, pace: dict[str, list[Use]] | None = None) -> Stock:
        """How long blades last here, and how many must lie sharp in the rack; ``pace`` as of `due`."""
        alive = [life for life in said.lives.values() if life.place is not Place.SCRAPPED]
        sharp = sum(life.place in {Place.NEW, Place.RACK} for life in alive)
        services = [s for life in said.lives.values() for s in life.services]
        counts = self.book.count_cuts(*(spans(s, now) for s in services))
        cuts = [float(n) for n in counts if n]
        ended = [s.ended is not None for s, n in zip(services, counts, strict=True) if n]
        removals = sum(ended)
        turnaround = _turnarounds(said.lives.values())
        known = len(turnaround) >= FEWEST_REMOVALS
        lasts = median(turnaround) if known else self._desk.site.blades.turnaround_days
        fit = fit_weibull(cuts, ended)
        if fit is None:
            return Stock(None, removals, None, lasts, known, None, sharp)
        known_pace = pace or {}
        paces = [known_pace.get(saw) or self.pace(saw, now) for saw in self._desk.saws]
        daily = [float(np.mean([u.cuts for u in of])) for of in paces if of]
        per_day = float(np.mean([d for d in daily if d > 0])) if any(d > 0 for d in daily) else None
        if per_day is None:
            return Stock(fit, removals, None, lasts, known, None, sharp)
        days = Weibull(fit.shape, fit.scale / per_day, fit.loglik, fit.removals, fit.censored)
        saws = sum(d > 0 for d in daily)
        return Stock(fit, removals, days, lasts, known, spares(days, saws, lasts, years=200), sharp)

    # Questions

    def openings(self, saw: str, start: int, end: int) -> list[Opening]:
        """Openings of the door in a period that may have been changes, oldest first."""
        visits, runs = self.book.door_visits(saw, start, end)
        return openings(
            [(v.start_us, v.end_us) for v in visits],
            [(r.start_us, r.end_us) for r in runs],
            self._desk.site.blades.change_seconds,
        )

    def waiting(self, saw: str, now: int, days: int = ASKED_DAYS) -> list[Opening]:
        """The openings about which nobody has said anything, newest first."""
        stands = standing(c for c in self.said().changes if c.saw == saw)
        answered = [c.at_us for c in stands if c.kind in {CHANGE, CLEANED}]
        return unanswered(self.openings(saw, now - days * DAY, now), answered)[::-1]


def _turnarounds(found: Iterable[Life]) -> Sequence[float]:
    """Days from taking a blade out to having it back sharp, as people said them."""
    return [
        (after.begun - before.ended) / DAY
        for life in found
        for before, after in zip(life.services, life.services[1:], strict=False)
        if after.begun is not None and before.ended is not None and after.begun > before.ended
    ]
