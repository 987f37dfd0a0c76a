"""Due maintenance as a calendar (iCalendar, RFC 5545), so that it stands in people's own calendars."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.answers.calendar import DAY, EPOCH
from api.answers.cautions import AT_BLADE, MANUAL_FIRST
from api.answers.occurrences import NOT_DUE, Verdict
from api.tongues.say import gettext, known

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from api.answers.occurrences import Occurrence
    from api.answers.tasks import Task

_DONE = {Verdict.DONE, Verdict.LATE}


@dataclass(frozen=True, slots=True)
class Calendar:
    """What the feed is about: the site, what its saws are called, its tasks, and the server's address."""

    site: str
    title: str
    saws: Mapping[str, str]
    tasks: Mapping[str, Task]
    address: str


def feed(calendar: Calendar, role: str, occurrences: Iterable[Occurrence], now: int) -> bytes:
    """All-day entries of what a role has to do, one for each occurrence; what is done says so.

    An entry's UID (RFC 5545, 3.8.4.7) stays the same for ever, so a calendar moves it rather than doubling it.
    """
    # Imported here: 10 MB that a server without subscribers does not need.
    from icalendar import Calendar as ICalendar  # noqa: PLC0415
    from icalendar import Event  # noqa: PLC0415

    out = ICalendar()
    out.add("prodid", "-//Kerfbook//maintenance//EN")
    out.add("version", "2.0")
    out.add("method", "PUBLISH")
    out.add("x-wr-calname", gettext("{place}: maintenance", place=calendar.title))
    stamp = EPOCH + dt.timedelta(microseconds=now // 1_000_000 * 1_000_000)
    for o in occurrences:
        task = calendar.tasks[o.task]
        if task.role != role or o.verdict(now) in NOT_DUE:
            continue
        saw = calendar.saws[o.saw]
        done = o.verdict(now) in _DONE
        event = Event()
        event.add("uid", f"{o.task}.{o.saw}.{o.key}@{calendar.site}.kerfbook")
        event.add("dtstamp", stamp)
        event.add("dtstart", o.day)
        event.add("dtend", o.day + DAY)
        event.add("summary", f"{'✓ ' if done else ''}{saw}: {known(task.title)}")
        event.add("description", _description(task))
        event.add("url", f"{calendar.address.rstrip('/')}/maintenance#{o.task}")
        event.add("categories", ["maintenance"])
        event.add("transp", "TRANSPARENT")
        out.add_component(event)
    return bytes(out.to_ical())


def _description(task: Task) -> str:
    rows = [gettext("About {n} minutes.", n=task.minutes)]
    if task.at_blade:
        rows += [gettext("First:"), *(f"- {gettext(caution)}" for caution in AT_BLADE)]
    rows += [f"{i}. {known(step)}" for i, step in enumerate(task.steps, 1)]
    return "\n".join([*rows, gettext(MANUAL_FIRST)])
