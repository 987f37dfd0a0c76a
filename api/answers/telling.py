"""Who is told of what, when, and how often at most. Pure: it decides, `api.delivery` sends."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from api.answers.alerts import AlertState, Priority
from api.answers.calendar import DAY, instant, site_date
from collector.facts import SECOND

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Sequence
    from zoneinfo import ZoneInfo

    from api.answers.alert_kinds import Kind
    from api.answers.alerts import Alert

MINUTE = 60 * SECOND

REPEAT = 60 * MINUTE
"""Of one key people hear at most once in this time; what comes meanwhile is in the next message's count."""

ALL = frozenset(Priority)


@dataclass(frozen=True, slots=True)
class Quiet:
    """Quiet hours, minutes after the site's midnight; an end at or before the start is on the next day."""

    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Channel:
    """One way to one role.

    Attributes:
        name: tells it from others; what waits in the outbox names it.
        role: who reads there.
        address: an Apprise address, or ``mqtt:`` for a message through the broker.
        priorities: what is sent there.
        quiet: when nothing but high priorities is sent there.
    """

    name: str
    role: str
    address: str
    priorities: frozenset[Priority] = ALL
    quiet: tuple[Quiet, ...] = ()


@dataclass(frozen=True, slots=True)
class Policy:
    """How people are told.

    Attributes:
        channels: all ways.
        escalate_after: an alert that nobody acknowledged for so long is passed on, microseconds.
        escalate_to: to this role.
        summary_role: who gets the daily and the weekly summary.
        summary_minute: when, minutes after the site's midnight.
    """

    channels: tuple[Channel, ...] = ()
    escalate_after: int = 60 * MINUTE
    escalate_to: str = "owner"
    summary_role: str = "owner"
    summary_minute: int = 18 * 60
    by_name: dict[str, Channel] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "by_name", {c.name: c for c in self.channels})
        if len(self.by_name) < len(self.channels):
            raise ValueError("two ways of telling people have the same name")


@dataclass(frozen=True, slots=True)
class Letter:
    """A message to be sent: through which channel, why, and not before when (microseconds UTC)."""

    channel: str
    reason: str
    not_before: int


def after_quiet(t: int, quiet: Iterable[Quiet], zone: ZoneInfo) -> int:
    """``t``, or the end of the quiet hours that it lies in."""
    spans: list[tuple[int, int]] = []
    for q in quiet:
        day = site_date(t, zone)
        last = q.end if q.end > q.start else q.end + 24 * 60
        spans += [(instant(d, q.start, zone), instant(d, last, zone)) for d in (day - DAY, day)]
    moved = True
    while moved:  # one quiet span may end in another
        moved = False
        for start, end in spans:
            if start <= t < end:
                t, moved = end, True
    return t


def raised(kind: Kind, now: int, policy: Policy, zone: ZoneInfo, told: int | None) -> list[Letter]:
    """Letters about an alert that was raised.

    Args:
        kind: its kind.
        now: the present.
        policy: how people are told.
        zone: the site's.
        told: when people last heard of its key, None: never.
    """
    at = now if told is None else max(now, told + REPEAT)
    return _letters("raised", kind.roles, kind.priority, at, policy, zone)


def escalations(
    alerts: Sequence[tuple[Alert, int | None]], kinds: dict[str, Kind], now: int, policy: Policy, zone: ZoneInfo
) -> list[tuple[Alert, list[Letter]]]:
    """Alerts that nobody acknowledged in time, and letters to the role they are passed on to.

    The time runs from when people were told (the second of each pair), which quiet hours may put off. Low
    priorities are not passed on, nor what that role was told at once.
    """
    found = []
    for alert, told in alerts:
        kind = kinds[alert.key.kind]
        waiting = alert.state is AlertState.UNACKNOWLEDGED and alert.escalated is None
        if not waiting or kind.priority is Priority.LOW or now - max(alert.mark, told or 0) < policy.escalate_after:
            continue
        roles = () if policy.escalate_to in kind.roles else (policy.escalate_to,)
        found.append((alert, _letters("escalated", roles, kind.priority, now, policy, zone)))
    return found


def _letters(
    reason: str, roles: Sequence[str], priority: Priority, at: int, policy: Policy, zone: ZoneInfo
) -> list[Letter]:
    return [
        Letter(c.name, reason, at if priority is Priority.HIGH else after_quiet(at, c.quiet, zone))
        for c in policy.channels
        if c.role in roles and priority in c.priorities
    ]


FIRST_RETRY = 15 * SECOND
LONGEST_RETRY = 15 * MINUTE
KEPT = 7 * 24 * 60 * MINUTE
"""After this a message that could not be delivered is given up, and the alerts page says so."""


def retry_at(now: int, tries: int) -> int:
    """When to try again after ``tries`` attempts: 15 s later, doubling up to a quarter of an hour."""
    return now + min(FIRST_RETRY << min(tries - 1, 10), LONGEST_RETRY)


def summaries_due(since: int, now: int, minute: int, zone: ZoneInfo) -> list[tuple[str, dt.date]]:
    """Summaries that fell due after ``since`` and by ``now``, with the day that they are about or end with.

    ``daily``; on Fridays ``weekly``; and the reports ``week`` (on Mondays, of the week before) and ``month`` (on the
    first, of the month before).

    Of several that were slept through only the newest of each is given.
    """
    found: dict[str, dt.date] = {}
    day = max(site_date(since, zone), site_date(now, zone) - 14 * DAY)
    while day <= site_date(now, zone):
        if since < instant(day, minute, zone) <= now:
            found["daily"] = day
            if day.weekday() == 4:
                found["weekly"] = day
            if day.weekday() == 0:
                found["week"] = day - DAY
            if day.day == 1:
                found["month"] = day - DAY
        day += DAY
    return list(found.items())
