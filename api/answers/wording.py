"""When a task is due, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.answers.tasks import MEASURES, SIGNS, ByCalendar, BySign, ByUse

if TYPE_CHECKING:
    from api.answers.tasks import When

_DAYS = {
    "MO": "Monday",
    "TU": "Tuesday",
    "WE": "Wednesday",
    "TH": "Thursday",
    "FR": "Friday",
    "SA": "Saturday",
    "SU": "Sunday",
}
_NTH = {"1": "first", "2": "second", "3": "third", "4": "fourth", "-1": "last"}
_EVERY = {"DAILY": "day", "WEEKLY": "week", "MONTHLY": "month", "YEARLY": "year"}


def in_words(when: When) -> str:
    """When a task is due; a rule that is too special for words stands as it is."""
    match when:
        case ByUse():
            return f"every {when.every:g} {MEASURES[when.measure]}"
        case BySign():
            return f"when {SIGNS.get(when.sign, when.sign)}"
        case ByCalendar():
            return _rule(when)


def _rule(when: ByCalendar) -> str:
    parts = dict(part.split("=", 1) for part in when.rule.upper().removeprefix("RRULE:").split(";"))
    freq, every, days = parts.pop("FREQ"), int(parts.pop("INTERVAL", "1")), parts.pop("BYDAY", "")
    if parts or (every > 1 and days):
        return when.rule
    if every > 1:
        return f"every {every} {_EVERY[freq]}s"
    if not days:
        return "every working day" if freq == "DAILY" and when.off == "skip" else f"every {_EVERY[freq]}"
    names = [_day(day) for day in days.split(",")]
    if any(name is None for name in names):
        return when.rule
    joined = " and ".join(name or "" for name in names)
    return {"WEEKLY": f"every {joined}", "MONTHLY": f"{joined} of the month"}.get(freq, when.rule)


def _day(text: str) -> str | None:
    name, nth = _DAYS.get(text[-2:]), text[:-2]
    if name is None or (nth and nth not in _NTH):
        return None
    return f"{_NTH[nth]} {name}" if nth else name
