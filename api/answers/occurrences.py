"""When a task was and is due at one saw, and what became of each time: a function of versions, plan, facts, ticks.

A window opens, the due day ends, the window closes. Done before the due day ends is *done*, afterwards *late*; not
done it is *open*, on the due day *due*, then *overdue*, and once the window is closed *missed*. A day without a shift
is *shut*, a day on which the saw stood still may count as *stood*: neither was due, neither is missed.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from api.answers.braking import passed
from api.answers.calendar import DAY, site_date
from api.answers.recurrence import dates
from api.answers.tasks import ByCalendar, BySign, ByUse
from api.answers.use import UNUSED, Usage

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from api.answers.tasks import Task, Version
    from api.answers.workdays import Workdays

FAR = 2**62
"""A due time that is not known yet."""

_MOVED_DAYS = 60
"""So far an occurrence may be moved by a shut-down and still be found."""


class Verdict(StrEnum):
    """What became of an occurrence, as of a moment."""

    AHEAD = "ahead"
    OPEN = "open"
    DUE = "due"
    OVERDUE = "overdue"
    MISSED = "missed"
    DONE = "done"
    LATE = "late"
    SHUT = "shut"
    STOOD = "stood"


WAITING = frozenset({Verdict.OPEN, Verdict.DUE, Verdict.OVERDUE})
"""Somebody can do it now."""

NOT_DUE = frozenset({Verdict.SHUT, Verdict.STOOD})


@dataclass(frozen=True, slots=True)
class TickEntry:
    """What somebody said: that a task is done, or a correction of that. Entries are never changed.

    Attributes:
        id: its number; later entries have higher ones.
        task: name of the task.
        saw: name of the saw.
        occurrence: key of the occurrence.
        done: when it was done, microseconds UTC.
        who: who says so.
        role: in which role.
        note: what else they say.
        said: when they said it.
        replaces: number of the entry that this one corrects.
        withdrawn: it was not done after all.
    """

    id: int
    task: str
    saw: str
    occurrence: str
    done: int
    who: str
    role: str
    note: str
    said: int
    replaces: int | None = None
    withdrawn: bool = False


def standing(entries: Iterable[TickEntry], now: int = FAR) -> list[TickEntry]:
    """The entries that hold at a moment: said by then, not withdrawn, and not corrected by a later one."""
    said = [e for e in entries if e.said <= now]
    replaced = {e.replaces for e in said if e.replaces is not None}
    return [e for e in said if e.id not in replaced and not e.withdrawn]


@dataclass(frozen=True, slots=True)
class SawPast:
    """What is known of one saw's past, as far as tasks ask for it.

    Attributes:
        ticks: the standing entries of the saw.
        use: how much it was used, by measure (`api.answers.tasks.MEASURES`).
        signs: stretches (start, end or None) in which it showed a sign, by name of the sign.
        stops: measured braking times, shape (n, 2): time of switching off, microseconds to standstill.
        stood: days on which it is known that the motor never ran.
    """

    ticks: Sequence[TickEntry] = ()
    use: Mapping[str, Usage] = field(default_factory=dict)
    signs: Mapping[str, Sequence[tuple[int, int | None]]] = field(default_factory=dict)
    stops: NDArray[np.int64] = field(default_factory=lambda: np.empty((0, 2), np.int64))
    stood: frozenset[dt.date] = frozenset()


@dataclass(frozen=True, slots=True)
class Occurrence:
    """One time that a task is due at one saw; times in microseconds UTC.

    Attributes:
        task: name of the task.
        saw: name of the saw.
        key: tells it from the task's other occurrences and stays the same.
        day: the working day on which it is due.
        opens: from when it can be done.
        begins: when the due day begins.
        due: when the due day is over.
        closes: when its window closes.
        not_due: why it need not be done, or None.
        done: when it was done, or None.
        tick: number of the entry that says so; None with ``done``: the signals say so.
    """

    task: str
    saw: str
    key: str
    day: dt.date
    opens: int
    begins: int
    due: int
    closes: int
    not_due: Verdict | None = None
    done: int | None = None
    tick: int | None = None

    def verdict(self, now: int) -> Verdict:
        """What became of it, as of ``now``."""
        if self.not_due is not None:
            return self.not_due
        if self.done is not None and self.done <= now:
            return Verdict.DONE if self.done < self.due else Verdict.LATE
        for end, verdict in (
            (self.opens, Verdict.AHEAD),
            (self.begins, Verdict.OPEN),
            (self.due, Verdict.DUE),
            (self.closes, Verdict.OVERDUE),
        ):
            if now < end:
                return verdict
        return Verdict.MISSED


def occurrences(
    versions: Sequence[Version], saw: str, days: Workdays, first: dt.date, last: dt.date, past: SawPast
) -> list[Occurrence]:
    """The occurrences of one task at one saw whose due day lies from ``first`` to ``last``, in order of due day.

    Args:
        versions: the task's versions, in order of ``since``; each is in force until the next begins.
        saw: name of the saw.
        days: the site's working days.
        first: first due day.
        last: last due day.
        past: what is known of the saw.
    """
    found: list[Occurrence] = []
    base = None if not versions else days.begin(versions[0].since)
    ticks = sorted((t for t in past.ticks if versions and t.task == versions[0].task.name), key=lambda t: t.done)
    for i, version in enumerate(versions):
        until = versions[i + 1].since if i + 1 < len(versions) else last + _MOVED_DAYS * DAY
        task = version.task
        if not task.active or (task.saws and saw not in task.saws):
            continue
        match task.when:
            case ByCalendar():
                found += _by_calendar(version, task.when, saw, days, (first, last), until, past, ticks)
            case ByUse():
                assert base is not None
                usage = past.use.get(task.when.measure, UNUSED)
                span = (days.begin(version.since), days.begin(until))
                made, base = _by_use(task, task.when, saw, days, span, base, usage, ticks)
                found += [o for o in made if first <= o.day <= last]
            case BySign():
                shown = past.signs.get(task.when.sign, ())
                span = (days.begin(version.since), days.begin(until))
                made = _by_sign(task, task.when, saw, days, span, shown, ticks)
                found += [o for o in made if first <= o.day <= last]
    return sorted(found, key=lambda o: (o.day, o.key))


def _window(days: Workdays, day: dt.date, lead: int, grace: int) -> tuple[int, int, int, int]:
    """When the window opens, the due day begins, is over, and the window closes."""
    opens = days.step(day, -lead) if lead else day
    closes = days.step(day, grace) if grace else day
    return days.begin(opens or day), days.begin(day), days.end(day), days.end(closes or day)


def _by_calendar(
    version: Version,
    when: ByCalendar,
    saw: str,
    days: Workdays,
    asked: tuple[dt.date, dt.date],
    until: dt.date,
    past: SawPast,
    ticks: Sequence[TickEntry],
) -> Iterator[Occurrence]:
    first, last = asked
    begin, end = max(version.since, first - _MOVED_DAYS * DAY), min(until - DAY, last + _MOVED_DAYS * DAY)
    if end < begin:
        return
    task = version.task
    placed: dict[dt.date, dt.date] = {}  # due day → nominal day; of several moved to one day the last stands
    for nominal in dates(when.rule, when.start or version.since, begin, end):
        day = days.place(nominal, when.off)
        if day is not None:
            placed[day] = nominal
        elif first <= nominal <= last and when.off == "skip":
            at = _window(days, nominal, 0, 0)
            yield Occurrence(task.name, saw, nominal.isoformat(), nominal, *at, not_due=Verdict.SHUT)
    said = {t.occurrence: t for t in reversed(ticks)}  # the earliest of several counts
    before: dt.date | None = None
    for day in sorted(placed):
        if not first <= day <= last:
            before = day
            continue
        found = Occurrence(
            task.name, saw, placed[day].isoformat(), day, *_window(days, day, when.lead_days, when.grace_days)
        )
        tick = said.get(found.key)
        if tick is not None:
            found = replace(found, done=tick.done, tick=tick.id)
        elif when.if_used and _stood(days, past, before or day - DAY, day):
            found = replace(found, not_due=Verdict.STOOD)
        elif task.check == "braking":
            found = replace(found, done=passed(past.stops, found.opens, found.closes))
        before = day
        yield found


def _stood(days: Workdays, past: SawPast, before: dt.date, day: dt.date) -> bool:
    """Whether the saw is known to have stood still on every working day after ``before`` up to ``day``."""
    at = max(before + DAY, day - 31 * DAY)
    while at <= day:
        if at not in past.stood and days.works(at):
            return False
        at += DAY
    return True


def _by_use(
    task: Task,
    when: ByUse,
    saw: str,
    days: Workdays,
    span: tuple[int, int],
    base: int,
    usage: Usage,
    ticks: Sequence[TickEntry],
) -> tuple[list[Occurrence], int]:
    """Occurrences that come up in ``span``, and the moment from which use is counted on."""
    found: list[Occurrence] = []
    start, end = span
    while True:
        used = usage.at(base)
        opens, full = usage.reach(used + when.every * when.warn), usage.reach(used + when.every)
        tick = next((t for t in ticks if t.done > base), None)
        if full is None or full >= end or (tick is not None and tick.done < full):
            if tick is None or tick.done >= end:
                if opens is not None and opens < end and full is None:  # near, and nobody can say when it is full
                    day = site_date(opens, days.zone)
                    found.append(Occurrence(task.name, saw, f"use-{day}", day, opens, FAR, FAR, FAR))
                return found, base
            if opens is not None and opens <= tick.done and tick.done >= start:
                day = site_date(tick.done, days.zone)
                at = (opens, days.begin(day), days.end(day), days.end(day))
                found.append(Occurrence(task.name, saw, f"use-{day}", day, *at, done=tick.done, tick=tick.id))
            base = tick.done
            continue
        crossed = site_date(full, days.zone)
        day = days.step(crossed, when.within_days) or crossed
        _, begins, due, closes = _window(days, day, 0, when.grace_days)
        next_full = usage.reach(usage.at(full) + when.every)
        made = Occurrence(task.name, saw, f"use-{crossed}", day, opens or full, max(begins, full), due, closes)
        in_reach = tick is not None and (next_full is None or tick.done < next_full)
        if in_reach:
            assert tick is not None
            made = replace(made, done=tick.done, tick=tick.id)
            base = tick.done
        else:
            base = full  # missed: the next one counts from here, so that one omission does not hide the next
        if full >= start:
            found.append(made)
        if not in_reach and next_full is None:
            return found, base


def _by_sign(
    task: Task,
    when: BySign,
    saw: str,
    days: Workdays,
    span: tuple[int, int],
    shown: Sequence[tuple[int, int | None]],
    ticks: Sequence[TickEntry],
) -> list[Occurrence]:
    found: list[Occurrence] = []
    for i, (raised, _) in enumerate(shown):
        if not span[0] <= raised < span[1]:
            continue
        following = shown[i + 1][0] if i + 1 < len(shown) else FAR
        seen = site_date(raised, days.zone)
        day = days.step(seen, when.within_days) or seen
        _, begins, due, closes = _window(days, day, 0, when.grace_days)
        tick = next((t for t in ticks if raised <= t.done < following), None)
        made = Occurrence(task.name, saw, f"sign-{seen}", day, raised, max(begins, raised), due, closes)
        found.append(made if tick is None else replace(made, done=tick.done, tick=tick.id))
    return found
