"""Maintenance tasks: what has to be done at a saw, how, by whom, and when it is due.

Words of EN 13306: scheduled maintenance goes by the calendar or by use, condition-based maintenance by what the
machine shows. A task is data: every interval can be edited, and an edit makes a new version, so that the record
of what was due before stays as it was.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.answers import recurrence
from api.tongues.say import gettext, later

if TYPE_CHECKING:
    from collections.abc import Mapping

    from api.answers.workdays import OffDays

COMMON = "common practice, no source"
"""What a trade fact without a source is marked with."""

MEASURES = {"motor_hours": later("motor hours"), "cuts": later("cuts"), "cutting_minutes": later("cutting minutes")}
"""What use is counted in, and its unit for people."""

SIGNS = {
    "braking-slow": later("the blade takes longer to stop than it should"),
    "blade-wear": later("the blade cuts heavier than when it was fresh"),
}
"""What a saw can show by itself."""

ROLES = ("operator", "maintenance", "owner", "installer")
"""Who does a task or is told of an alert."""

_NAME = re.compile(r"[a-z0-9-]{1,64}")


class TaskError(ValueError):
    """A task that cannot be; says which part is wrong and what to do."""


@dataclass(frozen=True, slots=True)
class ByCalendar:
    """Due on the days of a recurrence rule.

    Attributes:
        rule: RFC 5545 recurrence rule, counted from the day since which the task exists unless ``start`` is given.
        off: what becomes of an occurrence on a day without a shift.
        lead_days: so many working days before the due day the window opens.
        grace_days: so many working days after the due day it closes; until then the task is overdue, then missed.
        if_used: not due where the saw is known to have stood still since the occurrence before.
        start: first day of the rule (DTSTART), where the day since which the task exists will not do.
    """

    rule: str
    off: OffDays = "next"
    lead_days: int = 0
    grace_days: int = 0
    if_used: bool = False
    start: dt.date | None = None


@dataclass(frozen=True, slots=True)
class ByUse:
    """Due when the saw was used so much since the task was last done.

    Attributes:
        measure: a key of `MEASURES`.
        every: so many of them.
        warn: share of ``every`` at which the window opens.
        within_days: working days from reaching ``every`` to the due day.
        grace_days: as in `ByCalendar`.
    """

    measure: str
    every: float
    warn: float = 0.9
    within_days: int = 2
    grace_days: int = 5


@dataclass(frozen=True, slots=True)
class BySign:
    """Due when the saw shows a sign.

    Attributes:
        sign: a key of `SIGNS`.
        within_days: working days from the sign to the due day.
        grace_days: as in `ByCalendar`.
    """

    sign: str
    within_days: int = 1
    grace_days: int = 5


When = ByCalendar | ByUse | BySign

_KINDS: dict[str, type[When]] = {"calendar": ByCalendar, "use": ByUse, "sign": BySign}


@dataclass(frozen=True, slots=True)
class Task:
    """One maintenance task.

    Attributes:
        name: its name in addresses.
        title: what people call it.
        steps: what to do, in order.
        role: who does it.
        minutes: how long it takes.
        when: when it is due.
        saws: names of the saws it is for; none: all.
        at_blade: hands come near the blade or the drive: the cautions are shown first.
        check: a check that the signals can answer by themselves (``braking``), or None.
        basis: where the interval comes from.
        active: False: not due any more.

    Raises:
        TaskError: a part of it cannot be.
    """

    name: str
    title: str
    steps: tuple[str, ...]
    role: str
    minutes: int
    when: When
    saws: tuple[str, ...] = ()
    at_blade: bool = False
    check: str | None = None
    basis: str = COMMON
    active: bool = True

    def __post_init__(self) -> None:
        _need(bool(_NAME.fullmatch(self.name)), "name", later("1 to 64 of a-z, 0-9 and -"))
        _need(0 < len(self.title.strip()) <= 80, "title", later("1 to 80 characters"))
        _need(0 < len(self.steps) <= 20, "steps", later("1 to 20 steps"))
        _need(all(0 < len(s.strip()) <= 400 for s in self.steps), "steps", later("1 to 400 characters each"))
        _need(self.role in ROLES, "role", gettext("one of {names}", names=", ".join(ROLES)))
        _need(1 <= self.minutes <= 1440, "minutes", later("1 to 1440"))
        _need(self.check in {None, "braking"}, "check", later("braking, or nothing"))
        _need(len(self.basis) <= 200, "basis", later("at most 200 characters"))
        match self.when:
            case ByCalendar():
                try:
                    recurrence.check_daily(self.when.rule)
                except recurrence.RuleError as error:
                    raise TaskError(f"when: {error}") from error
                _need(self.when.off in {"skip", "next", "previous"}, "off", later("skip, next or previous"))
                _need(0 <= self.when.lead_days <= 60, "lead_days", later("0 to 60 working days"))
            case ByUse():
                _need(self.when.measure in MEASURES, "measure", gettext("one of {names}", names=", ".join(MEASURES)))
                _need(0 < self.when.every <= 1e7, "every", later("a number above 0"))
                _need(0 < self.when.warn <= 1, "warn", later("a share above 0 and up to 1"))
                _need(0 <= self.when.within_days <= 60, "within_days", later("0 to 60 working days"))
            case BySign():
                _need(self.when.sign in SIGNS, "sign", gettext("one of {names}", names=", ".join(SIGNS)))
                _need(0 <= self.when.within_days <= 60, "within_days", later("0 to 60 working days"))
        _need(0 <= self.when.grace_days <= 60, "grace_days", later("0 to 60 working days"))


def _need(holds: bool, where: str, expected: str) -> None:
    if not holds:
        raise TaskError(gettext("{where}: expected {expected}", where=where, expected=gettext(expected)))


@dataclass(frozen=True, slots=True)
class Version:
    """A task as it is due from the day ``since`` on, until the next version of the same name."""

    task: Task
    since: dt.date


def as_body(task: Task) -> dict[str, Any]:
    """The task as a JSON value, for the book and the API."""
    when = task.when
    body: dict[str, Any] = {
        "name": task.name,
        "title": task.title,
        "steps": list(task.steps),
        "role": task.role,
        "minutes": task.minutes,
        "saws": list(task.saws),
        "at_blade": task.at_blade,
        "check": task.check,
        "basis": task.basis,
        "active": task.active,
    }
    match when:
        case ByCalendar():
            body["when"] = {
                "by": "calendar",
                "rule": when.rule,
                "off": when.off,
                "lead_days": when.lead_days,
                "grace_days": when.grace_days,
                "if_used": when.if_used,
                "start": None if when.start is None else when.start.isoformat(),
            }
        case ByUse():
            body["when"] = {
                "by": "use",
                "measure": when.measure,
                "every": when.every,
                "warn": when.warn,
                "within_days": when.within_days,
                "grace_days": when.grace_days,
            }
        case BySign():
            body["when"] = {
                "by": "sign",
                "sign": when.sign,
                "within_days": when.within_days,
                "grace_days": when.grace_days,
            }
    return body


def from_body(body: Mapping[str, Any]) -> Task:
    """The task of a JSON value.

    Raises:
        TaskError: a part is missing, unknown or cannot be.
    """
    try:
        rest = dict(body)
        when = dict(rest.pop("when"))
        by = when.pop("by")
        if by == "calendar" and when.get("start") is not None:
            when["start"] = dt.date.fromisoformat(when["start"])
        _need(by in _KINDS, "when.by", gettext("one of {names}", names=", ".join(_KINDS)))
        rest["steps"] = tuple(rest["steps"])
        rest["saws"] = tuple(rest.get("saws", ()))
        return Task(when=_KINDS[by](**when), **rest)
    except TaskError:
        raise
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        text = gettext("the task is not complete or has a part that is not known: {error}", error=error)
        raise TaskError(text) from error
