"""Recurrence rules after RFC 5545 (iCalendar), section 3.3.10, in wall-clock time of the site.

python-dateutil unrolls the rules; this module adds what the RFC says about zones (an UNTIL in UTC bounds a rule
in local time) and refuses what is no rule of the RFC, with a sentence that says what is wrong.
"""

from __future__ import annotations

import datetime as dt
import re
from functools import lru_cache
from itertools import takewhile
from typing import TYPE_CHECKING

from dateutil.rrule import rrule, rrulestr

from api.tongues.say import gettext

if TYPE_CHECKING:
    from collections.abc import Iterator
    from zoneinfo import ZoneInfo

_COUNTING = ("FREQ", "UNTIL", "COUNT", "INTERVAL", "WKST")
_CHOOSING = ("SECOND", "MINUTE", "HOUR", "DAY", "MONTHDAY", "YEARDAY", "WEEKNO", "MONTH", "SETPOS")
_PARTS = frozenset([*_COUNTING, *(f"BY{part}" for part in _CHOOSING)])
_DAILY_OR_RARER = ("DAILY", "WEEKLY", "MONTHLY", "YEARLY")
_UNTIL = re.compile(r"(\d{8})(?:T(\d{6})(Z?))?")


class RuleError(ValueError):
    """A text that is no recurrence rule; says what is wrong and what to write."""


def _split(rule: str) -> dict[str, str]:
    parts: dict[str, str] = {}
    for part in rule.strip().upper().removeprefix("RRULE:").split(";"):
        name, equals, value = part.partition("=")
        if not equals or not value or name not in _PARTS:
            raise RuleError(
                gettext(
                    "{text} is no part of a recurrence rule; write one such as FREQ=WEEKLY;BYDAY=FR",
                    text=repr(part[:40]),
                )
            )
        if name in parts:
            raise RuleError(gettext("{name} comes twice in the rule; once is enough", name=name))
        parts[name] = value
    if "FREQ" not in parts:
        raise RuleError(gettext("a recurrence rule says how often: FREQ=DAILY, WEEKLY, MONTHLY or YEARLY"))
    if "UNTIL" in parts and "COUNT" in parts:
        raise RuleError(gettext("a rule has UNTIL or COUNT, not both (RFC 5545, 3.3.10)"))
    return parts


def _local_until(text: str, zone: ZoneInfo | None) -> str:
    found = _UNTIL.fullmatch(text)
    if found is None:
        raise RuleError(
            gettext("UNTIL={text} is no date; write it as UNTIL=20261231 or UNTIL=20261231T170000Z", text=text[:20])
        )
    date, clock, utc = found.groups()
    try:
        moment = dt.datetime.strptime(date + (clock or "235959"), "%Y%m%d%H%M%S")  # noqa: DTZ007 (zone follows)
    except ValueError as error:
        raise RuleError(gettext("UNTIL={text} is no date that exists", text=text)) from error
    if utc and zone is not None:
        moment = moment.replace(tzinfo=dt.UTC).astimezone(zone).replace(tzinfo=None)
    return moment.strftime("%Y%m%dT%H%M%S")


def parse(rule: str, start: dt.datetime, zone: ZoneInfo | None = None) -> rrule:
    """The rule, beginning at the wall-clock time ``start`` (DTSTART, without zone).

    Raises:
        RuleError: the text is no recurrence rule of RFC 5545.
    """
    parts = _split(rule)
    if "UNTIL" in parts:
        parts["UNTIL"] = _local_until(parts["UNTIL"], zone)
    try:
        found = rrulestr(";".join(f"{n}={v}" for n, v in parts.items()), dtstart=start)
    except (ValueError, KeyError, TypeError, IndexError) as error:
        raise RuleError(
            gettext(
                "{rule} is no recurrence rule ({error}); write one such as FREQ=DAILY",
                rule=repr(rule[:80]),
                error=error,
            )
        ) from error
    assert isinstance(found, rrule)
    return found


def check_daily(rule: str) -> None:
    """Checks that a rule can stand for days of work.

    Raises:
        RuleError: it is none, or it repeats within a day, or it never occurs in the ten years after 2026.
    """
    if _split(rule)["FREQ"] not in _DAILY_OR_RARER:
        raise RuleError(gettext("a task is due at most once a day: FREQ=DAILY, WEEKLY, MONTHLY or YEARLY"))
    if next(dates(rule, dt.date(2026, 1, 1), dt.date(2026, 1, 1), dt.date(2036, 12, 31)), None) is None:
        raise RuleError(gettext("{rule} never occurs; check its days and months", rule=repr(rule[:80])))


@lru_cache(maxsize=256)
def _parsed(rule: str, since: dt.date) -> rrule:
    return parse(rule, dt.datetime.combine(since, dt.time()))


def dates(rule: str, since: dt.date, first: dt.date, last: dt.date) -> Iterator[dt.date]:
    """The days from ``first`` to ``last``, both included, on which a rule that begins on ``since`` occurs."""
    floor = dt.datetime.combine(first, dt.time())
    ceiling = dt.datetime.combine(last, dt.time.max)
    before: dt.date | None = None
    for moment in takewhile(lambda m: m <= ceiling, _parsed(rule, since).xafter(floor, inc=True)):
        if moment.date() != before:  # BYHOUR and the like may name one day several times
            before = moment.date()
            yield before
