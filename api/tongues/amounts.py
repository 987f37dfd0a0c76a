"""Times, numbers and lengths as people read them, after CLDR (Unicode Technical Standard 35), by Babel."""

from __future__ import annotations

import datetime as dt

from babel.dates import format_date, format_skeleton, format_time
from babel.numbers import format_decimal

from api.tongues.say import gettext, present

INCH = 25.4
"""Millimetres, exactly: ISO 31-1 and the international yard and pound agreement of 1959."""
_WEEKDAY = {"pt_PT": "EEEEEE"}
"""Where CLDR's abbreviated weekdays are whole words, its short ones: ``seg.`` for ``segunda``."""
FOOT = 0.3048
"""Metres."""


def clock(at: dt.datetime | dt.time) -> str:
    """``14:02``, or ``2:02 pm`` on a 12-hour clock. A datetime is shown in its own zone."""
    manner = present()
    time = at.timetz() if isinstance(at, dt.datetime) else at
    return format_time(time, "HH:mm" if manner.hours == 24 else "h:mm a", locale=manner.cldr)


def day(at: dt.date) -> str:
    """``Mon 2 Mar``, in the order of the locale."""
    manner = present()
    if manner.locale == "en_US":
        return format_date(at, "EEE, MMM d", locale=manner.cldr)
    return f"{weekday(at)} {format_date(at, 'd MMM', locale=manner.cldr)}"


def date(at: dt.date, *, weekday: bool = False) -> str:
    """``2 March 2026``, or ``Monday 2 March 2026``."""
    locale = present().cldr
    text = format_date(at, "long", locale=locale)
    return f"{format_date(at, 'EEEE', locale=locale)} {text}" if weekday else text


def date_of_year(at: dt.date) -> str:
    """``2 March``."""
    return format_skeleton("MMMMd", at, locale=present().cldr)


def month(at: dt.date, *, short: bool = False) -> str:
    """``March 2026``, or ``Mar``."""
    locale = present().cldr
    return format_date(at, "LLL", locale=locale) if short else format_skeleton("yMMMM", at, locale=locale)


def weekday(at: dt.date) -> str:
    """``Mon``."""
    manner = present()
    return format_date(at, _WEEKDAY.get(manner.locale, "EEE"), locale=manner.cldr)


def number(value: float, digits: int = 0) -> str:
    """With the locale's decimal sign and groups, and exactly so many decimals."""
    return format_decimal(value, "#,##0" + ("." + "0" * digits if digits else ""), locale=present().cldr)


def kwh(value: float) -> str:
    """``9.6``, ``128``: with so many digits that the parts of a sum still add up to it for the eye."""
    return number(value, 1 if value < 100 else 0)


def length(mm: float) -> str:
    """``300 mm`` or ``11.81 in``."""
    if present().inches:
        return gettext("{x} in", x=number(mm / INCH, 2 if mm >= INCH else 3))
    return gettext("{x} mm", x=number(mm, 0 if mm == round(mm) else 1))


def run(metres: float) -> str:
    """A length of cut: ``1,200 m`` or ``3,937 ft``."""
    if present().inches:
        return gettext("{x} ft", x=number(metres / FOOT))
    return gettext("{x} m", x=number(metres))
