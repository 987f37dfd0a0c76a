"""Compliance: how much of what was due was done in time, for each task, saw and week."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from api.answers.calendar import DAY
from api.answers.occurrences import NOT_DUE, Occurrence, Verdict

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Iterable

Key = TypeVar("Key")


@dataclass(frozen=True, slots=True)
class Tally:
    """Counts of occurrences.

    Attributes:
        in_time: done before the due day was over.
        late: done afterwards.
        missed: the window closed without it.
        overdue: past the due day, the window still open, not done.
        waiting: not done, and there is still time.
        not_due: the shop was shut or the saw stood still.
    """

    in_time: int = 0
    late: int = 0
    missed: int = 0
    overdue: int = 0
    waiting: int = 0
    not_due: int = 0

    @property
    def due(self) -> int:
        """What the ratio is measured against: all whose due day is over or that are done."""
        return self.in_time + self.late + self.missed + self.overdue

    @property
    def compliance(self) -> float | None:
        """Done in time / due, 0 to 1; None where nothing was due."""
        return self.in_time / self.due if self.due else None


def tally(occurrences: Iterable[Occurrence], now: int) -> Tally:
    """Counts as of ``now``; what lies ahead counts nowhere."""
    n = Counter(o.verdict(now) for o in occurrences)
    return Tally(
        in_time=n[Verdict.DONE],
        late=n[Verdict.LATE],
        missed=n[Verdict.MISSED],
        overdue=n[Verdict.OVERDUE],
        waiting=n[Verdict.OPEN] + n[Verdict.DUE],
        not_due=sum(n[v] for v in NOT_DUE),
    )


def tally_by(occurrences: Iterable[Occurrence], key: Callable[[Occurrence], Key], now: int) -> dict[Key, Tally]:
    """A tally for each value of ``key``, in order of first appearance."""
    groups: dict[Key, list[Occurrence]] = {}
    for occurrence in occurrences:
        groups.setdefault(key(occurrence), []).append(occurrence)
    return {k: tally(members, now) for k, members in groups.items()}


def week_of(occurrence: Occurrence) -> dt.date:
    """The Monday of the week that an occurrence is due in (weeks after ISO 8601)."""
    return occurrence.day - occurrence.day.weekday() * DAY


_RANK = (
    Verdict.MISSED,
    Verdict.OVERDUE,
    Verdict.LATE,
    Verdict.DUE,
    Verdict.OPEN,
    Verdict.DONE,
    Verdict.STOOD,
    Verdict.SHUT,
    Verdict.AHEAD,
)
"""What a day with several occurrences is shown as: the first of these that it holds."""


def year(occurrences: Iterable[Occurrence], now: int) -> dict[dt.date, tuple[Verdict, Tally]]:
    """For each day with occurrences what it is shown as, and its counts."""
    groups: dict[dt.date, list[Occurrence]] = {}
    for occurrence in occurrences:
        groups.setdefault(occurrence.day, []).append(occurrence)
    return {
        day: (min((o.verdict(now) for o in members), key=_RANK.index), tally(members, now))
        for day, members in sorted(groups.items())
    }
