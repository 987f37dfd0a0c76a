"""Periods of whole days that people ask for: a week, a month, a year, or from a day to a day."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import Literal, Self

from api.answers.calendar import DAY
from api.tongues.say import gettext

LONGEST_DAYS = 3660
Kind = Literal["week", "month", "year", "days"]

_MONTH = re.compile(r"(\d{4})-(\d\d)", re.ASCII)
_WEEK = re.compile(r"(\d{4})-W(\d\d)", re.ASCII)
_YEAR = re.compile(r"\d{4}", re.ASCII)
_DAYS = re.compile(r"(\d{4}-\d\d-\d\d)(?:\.\.(\d{4}-\d\d-\d\d))?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Period:
    """Days from ``first`` to ``last``, itself included."""

    first: dt.date
    last: dt.date
    kind: Kind

    @classmethod
    def parse(cls, text: str) -> Self:
        """A period as an address holds it.

        ``2026-W10`` (ISO 8601 week, from Monday), ``2026-03`` (month), ``2026`` (year), ``2026-03-02`` (day), or
        ``2026-03-02..2026-03-06`` (from a day to a day).

        Raises:
            ValueError: it is none of these, or does not exist, or is empty or longer than ten years.

        Example:
            >>> str(Period.parse("2026-W10")), Period.parse("2026-W10").first.isoformat()
            ('2026-W10', '2026-03-02')
        """
        how = gettext("write a week as 2026-W10, a month as 2026-03, a year as 2026, days as 2026-03-02..2026-03-06")
        try:
            if found := _WEEK.fullmatch(text):
                first = dt.date.fromisocalendar(int(found[1]), int(found[2]), 1)
                return cls._checked(first, first + 6 * DAY, "week")
            if found := _MONTH.fullmatch(text):
                first = dt.date(int(found[1]), int(found[2]), 1)
                return cls._checked(first, _month_end(first), "month")
            if _YEAR.fullmatch(text):
                return cls._checked(dt.date(int(text), 1, 1), dt.date(int(text), 12, 31), "year")
            if found := _DAYS.fullmatch(text):
                first = dt.date.fromisoformat(found[1])
                return cls._checked(first, dt.date.fromisoformat(found[2] or found[1]), "days")
        except (ValueError, OverflowError) as error:
            why = gettext("{text} is no period ({why}); {how}", text=repr(text), why=error, how=how)
            raise ValueError(why) from error
        raise ValueError(gettext("{text} is no period; {how}", text=repr(text[:40]), how=how))

    @classmethod
    def _checked(cls, first: dt.date, last: dt.date, kind: Kind) -> Self:
        if not (first.year >= 2000 and last.year < 2100):
            raise ValueError(gettext("it lies outside the years 2000 to 2099"))
        if last < first:
            raise ValueError(gettext("its last day lies before its first"))
        if (last - first).days >= LONGEST_DAYS:
            raise ValueError(gettext("it is longer than ten years"))
        return cls(first, last, kind)

    @classmethod
    def week_of(cls, day: dt.date) -> Self:
        """The week of a day."""
        first = day - DAY * day.weekday()
        return cls(first, first + 6 * DAY, "week")

    def __str__(self) -> str:
        match self.kind:
            case "week":
                year, week, _ = self.first.isocalendar()
                return f"{year:04d}-W{week:02d}"
            case "month":
                return f"{self.first:%Y-%m}"
            case "year":
                return f"{self.first:%Y}"
            case _:
                return str(self.first) if self.first == self.last else f"{self.first}..{self.last}"

    @property
    def days(self) -> int:
        """How many days it has."""
        return (self.last - self.first).days + 1

    def moved(self, by: int) -> Period:
        """The period of the same kind so many after this one (negative: before)."""
        if self.kind == "month":
            months = self.first.year * 12 + self.first.month - 1 + by
            first = dt.date(months // 12, months % 12 + 1, 1)
            return Period(first, _month_end(first), "month")
        if self.kind == "year":
            year = self.first.year + by
            return Period(dt.date(year, 1, 1), dt.date(year, 12, 31), "year")
        by_days = DAY * self.days * by
        return Period(self.first + by_days, self.last + by_days, self.kind)

    def compared(self, text: str) -> Period:
        """The period that this one is to be compared with.

        ``before`` is the one before of the same kind, ``year`` the one a year before (on the same weekdays, where it is
        no month or year); anything else is a period of its own.

        Raises:
            ValueError: it is none.
        """
        if text == "before":
            return self.moved(-1)
        if text != "year":
            return Period.parse(text)
        if self.kind in {"month", "year"}:
            return self.moved(-12 if self.kind == "month" else -1)
        by = 364 * DAY
        return Period(self.first - by, self.last - by, self.kind)

    @property
    def divided(self) -> Literal["day", "week", "month"]:
        """How a picture of it is divided, so that it has some seven to fifty parts."""
        return "day" if self.days <= 35 else "week" if self.days <= 220 else "month"


def _month_end(first: dt.date) -> dt.date:
    return (first + 31 * DAY).replace(day=1) - DAY
