"""The shift calendar: which time is planned, and where days, weeks and hours begin, in the site's own time.

Wall-clock times become instants as PEP 495 says: a time that the clock skips in spring stands for the moment
that much later, and of a time that the clock shows twice in autumn the first is meant. A day therefore has
23, 24 or 25 hours, and a night shift from 22:00 to 06:00 has 7, 8 or 9.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, Protocol, Self

import numpy as np

from api.answers.intervals import Spans, clip, spans, subtract

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

EPOCH = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
DAY = dt.timedelta(days=1)
MICROSECOND = dt.timedelta(microseconds=1)
MINUTES_A_DAY = 24 * 60

Bucket = Literal["hour", "day", "week", "month"]
"""How a period is divided."""


def instant(day: dt.date, minute: int, zone: ZoneInfo) -> int:
    """Microseconds UTC of the wall-clock time ``minute`` after the midnight that begins ``day``."""
    wall = dt.datetime.combine(day, dt.time(), zone) + dt.timedelta(minutes=minute)
    return (wall.astimezone(dt.UTC) - EPOCH) // MICROSECOND


def site_date(t: int, zone: ZoneInfo) -> dt.date:
    """The site's date at ``t`` microseconds UTC."""
    return (EPOCH + dt.timedelta(microseconds=t)).astimezone(zone).date()


def _minutes(text: str, what: str) -> int:
    """Minutes after midnight of ``HH:MM``, 00:00 to 24:00."""
    hour, colon, minute = text.strip().partition(":")
    if not (colon and hour.isascii() and hour.isdigit() and minute.isascii() and minute.isdigit() and len(minute) == 2):
        raise ValueError(f"{what}: {text!r} is no time of day; write it as 07:30")
    value = int(hour) * 60 + int(minute)
    if int(minute) > 59 or value > MINUTES_A_DAY:
        raise ValueError(f"{what}: {text!r} is no time of day; it must lie between 00:00 and 24:00")
    return value


def _span(text: str, what: str) -> tuple[int, int]:
    """Start and end of ``HH:MM-HH:MM`` in minutes; an end at or before the start is on the next day."""
    start_text, dash, end_text = text.partition("-")
    if not dash:
        raise ValueError(f"{what}: {text!r} is no span of time; write it as 07:00-15:30")
    start, end = _minutes(start_text, what), _minutes(end_text, what)
    return start, end if end > start else end + MINUTES_A_DAY


@dataclass(frozen=True, slots=True)
class Shift:
    """One shift and its breaks, as minutes after the midnight that begins the day on which the shift begins.

    A shift over midnight has an ``end`` above 1440. It belongs to the day on which it begins. ``name`` is what people
    call it, if they call it anything.

    Raises:
        ValueError: the shift is empty or longer than a day, or a break does not lie in it.
    """

    start: int
    end: int
    breaks: tuple[tuple[int, int], ...] = ()
    name: str = ""

    def __post_init__(self) -> None:
        if not (0 <= self.start < MINUTES_A_DAY and self.start < self.end <= self.start + MINUTES_A_DAY):
            raise ValueError(f"a shift must begin on its day and last at most 24 hours, not {self.clock}")
        for start, end in self.breaks:
            if not self.start <= start < end <= self.end:
                raise ValueError(f"the break {_clock(start)}-{_clock(end)} does not lie in the shift {self.clock}")

    @classmethod
    def parse(cls, text: str, breaks: Iterable[str] = (), name: str = "") -> Self:
        """A shift from ``"22:00-06:00"`` and breaks such as ``"02:00-02:30"``.

        Raises:
            ValueError: a text is no span of time, or a break does not lie in the shift.
        """
        start, end = _span(text, "shift")
        pauses = [_span(b, "break") for b in breaks]
        # In a night shift, a break that is earlier by the clock than the shift's start is after midnight.
        moved = ((s + MINUTES_A_DAY, e + MINUTES_A_DAY) if s < start else (s, e) for s, e in pauses)
        return cls(start, end, tuple(moved), name)

    @property
    def clock(self) -> str:
        """Its start and end by the clock, ``22:00-06:00``."""
        return f"{_clock(self.start)}-{_clock(self.end)}"


def _clock(minutes: int) -> str:
    return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"


@dataclass(frozen=True, slots=True)
class ShiftPlan:
    """When the saws are planned to be used.

    Attributes:
        week: the shifts of Monday (first) to Sunday, seven tuples.
        closed: dates on which no shift begins; the night shift of the evening before still ends.
        special: dates with shifts of their own (overtime, a short day), in place of the weekday's.
    """

    week: tuple[tuple[Shift, ...], ...] = ((),) * 7
    closed: frozenset[dt.date] = frozenset()
    special: Mapping[dt.date, tuple[Shift, ...]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if len(self.week) != 7:
            raise ValueError(f"a week has seven days, Monday first, not {len(self.week)}")

    @classmethod
    def weekdays(cls, *shifts: Shift, closed: Iterable[dt.date] = ()) -> Self:
        """The same shifts from Monday to Friday.

        Example:
            >>> plan = ShiftPlan.weekdays(Shift.parse("07:00-15:30", ["10:00-10:15"]))
            >>> zone = ZoneInfo("America/New_York")
            >>> start, end = day_bounds(1_772_463_600_000_000, zone)  # Monday 2 March 2026, 10:00 there
            >>> [(a / 3.6e9, b / 3.6e9) for a, b in (planned(plan, zone, start, end) - start).tolist()]
            [(7.0, 10.0), (10.25, 15.5)]
        """
        return cls((shifts,) * 5 + ((), ()), frozenset(closed))

    def shifts_on(self, day: dt.date) -> tuple[Shift, ...]:
        """The shifts that begin on ``day``."""
        if day in self.closed:
            return ()
        return self.special.get(day, self.week[day.weekday()])


class Shifts(Protocol):
    """Whatever knows the shifts of a day: a `ShiftPlan`, or one with a past (`api.answers.plans`)."""

    def shifts_on(self, day: dt.date) -> tuple[Shift, ...]:
        """The shifts that begin on ``day``."""


def planned(plan: Shifts, zone: ZoneInfo, start: int, end: int) -> Spans:
    """The planned working time in ``[start, end)``: shifts less their breaks.

    Where shifts overlap, the time counts once; a break counts as planned time where another shift works
    through it.
    """
    day, last = (
        site_date(start, zone) - DAY,
        site_date(max(start, end - 1), zone),
    )  # last night's shift reaches in
    work: list[Spans] = []
    while day <= last:
        work += [shift_work(day, shift, zone) for shift in plan.shifts_on(day)]
        day += DAY
    return clip(spans(np.concatenate(work)), start, end) if work else spans([])


def shift_bounds(day: dt.date, shift: Shift, zone: ZoneInfo) -> tuple[int, int]:
    """Start and end of the shift that begins on ``day``, microseconds UTC."""
    return instant(day, shift.start, zone), instant(day, shift.end, zone)


def shift_work(day: dt.date, shift: Shift, zone: ZoneInfo) -> Spans:
    """The planned working time of the shift that begins on ``day``, breaks cut out."""
    pauses = spans([(instant(day, s, zone), instant(day, e, zone)) for s, e in shift.breaks])
    return subtract(spans([shift_bounds(day, shift, zone)]), pauses)


def day_bounds(t: int, zone: ZoneInfo) -> tuple[int, int]:
    """Start and end of the site's day that ``t`` lies in, microseconds UTC."""
    day = site_date(t, zone)
    return instant(day, 0, zone), instant(day + DAY, 0, zone)


def bucket_edges(start: int, end: int, by: Bucket, zone: ZoneInfo) -> NDArray[np.int64]:
    """Edges of the site's hours, days, weeks (from Monday, ISO 8601) or months that divide ``[start, end)``.

    The first edge is ``start`` and the last ``end``, so the first and last bucket may be parts.

    Raises:
        ValueError: ``end`` does not lie after ``start``.
    """
    if end <= start:
        raise ValueError("a period must end after it starts")
    day, last = site_date(start, zone), site_date(end - 1, zone)
    inner: list[int] = []
    if by == "week":
        day -= DAY * day.weekday()
    elif by == "month":
        day = day.replace(day=1)
    while day <= last:
        inner.extend(_hours(day, zone) if by == "hour" else (instant(day, 0, zone),))
        if by == "month":
            day = (day + 31 * DAY).replace(day=1)
        else:
            day += DAY * 7 if by == "week" else DAY
    return np.array([start, *(e for e in inner if start < e < end), end], np.int64)


def _hours(day: dt.date, zone: ZoneInfo) -> list[int]:
    """When the site's clock shows a full hour on ``day``: skipped hours not at all, repeated ones twice."""
    edges: set[int] = {instant(day, 0, zone)}
    for hour in range(24):
        for fold in (0, 1):
            wall = dt.datetime.combine(day, dt.time(hour, fold=fold), zone)
            utc = wall.astimezone(dt.UTC)
            if utc.astimezone(zone).replace(tzinfo=None, fold=0) == wall.replace(tzinfo=None, fold=0):
                edges.add((utc - EPOCH) // MICROSECOND)
    return sorted(edges)
