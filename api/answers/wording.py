"""When a task is due, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.answers.tasks import MEASURES, SIGNS, ByCalendar, BySign, ByUse
from api.tongues.say import gettext, later, ngettext

if TYPE_CHECKING:
    from api.answers.tasks import When

_DAYS = {
    "MO": later("Monday"),
    "TU": later("Tuesday"),
    "WE": later("Wednesday"),
    "TH": later("Thursday"),
    "FR": later("Friday"),
    "SA": later("Saturday"),
    "SU": later("Sunday"),
}
_NTH = {"1": later("first"), "2": later("second"), "3": later("third"), "4": later("fourth"), "-1": later("last")}


def in_words(when: When) -> str:
    """When a task is due; a rule that is too special for words stands as it is."""
    match when:
        case ByUse():
            return gettext("every {n} {measure}", n=f"{when.every:g}", measure=gettext(MEASURES[when.measure]))
        case BySign():
            return gettext("when {sign}", sign=gettext(SIGNS.get(when.sign, when.sign)))
        case ByCalendar():
            return _rule(when)


def _rule(when: ByCalendar) -> str:
    parts = dict(part.split("=", 1) for part in when.rule.upper().removeprefix("RRULE:").split(";"))
    freq, every, days = parts.pop("FREQ"), int(parts.pop("INTERVAL", "1")), parts.pop("BYDAY", "")
    if parts or (every > 1 and days):
        return when.rule
    if every > 1:
        return _every(freq, every)
    if not days:
        return gettext("every working day") if freq == "DAILY" and when.off == "skip" else _every(freq, 1)
    names = [_day(day) for day in days.split(",")]
    if any(name is None for name in names):
        return when.rule
    joined = gettext(" and ").join(name or "" for name in names)
    return {
        "WEEKLY": gettext("every {days}", days=joined),
        "MONTHLY": gettext("{days} of the month", days=joined),
    }.get(freq, when.rule)


def _every(freq: str, n: int) -> str:
    return {
        "DAILY": ngettext("every day", "every {n} days", n),
        "WEEKLY": ngettext("every week", "every {n} weeks", n),
        "MONTHLY": ngettext("every month", "every {n} months", n),
        "YEARLY": ngettext("every year", "every {n} years", n),
    }[freq]


def _day(text: str) -> str | None:
    name, nth = _DAYS.get(text[-2:]), text[:-2]
    if name is None or (nth and nth not in _NTH):
        return None
    return gettext("{nth} {day}", nth=gettext(_NTH[nth]), day=gettext(name)) if nth else gettext(name)
