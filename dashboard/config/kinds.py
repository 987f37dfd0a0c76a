"""Kinds of values that a setting may have: what is expected, in words, and how a TOML value becomes ours."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Generic, TypeVar
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from api.tongues.say import gettext, later
from collector.wire.meaning import is_box
from collector.wire.topics import NAME

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from collector.words import Word

T = TypeVar("T")

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


class UnfitError(ValueError):
    """A value that is not of its kind; the text is a hint, or empty."""


@dataclass(frozen=True, slots=True)
class Kind(Generic[T]):
    """A kind of value.

    Attributes:
        said: completes "expected …"; translated when it is asked for, because some kinds are made with the program.
        read: makes a value of ours, or raises `UnfitError`.
        values: those in braces of ``said``: words of ours, which `later` marks, and names, such as those of saws.
    """

    said: str
    read: Callable[[object], T]
    values: Mapping[str, object] = field(default_factory=dict)

    @property
    def expected(self) -> str:
        """What is expected, in words."""
        return gettext(self.said, **self.values)


def _string(value: object) -> str:
    if not isinstance(value, str):
        raise UnfitError(
            gettext('write it in quotes: "{value}"', value=value) if isinstance(value, int | float) else ""
        )
    return value


def text(expected: Word, longest: int = 200) -> Kind[str]:
    """One line of text, not empty."""

    def read(value: object) -> str:
        found = _string(value).strip()
        if not found or len(found) > longest or not found.isprintable():
            raise UnfitError
        return found

    said = later("{what}, 1 to {n} characters on one line")
    return Kind(said, read, {"what": expected, "n": longest})


def pattern(expected: str, expression: str, hint: Callable[[str], str] = lambda _: "") -> Kind[str]:
    """Text that matches a regular expression as a whole."""

    def read(value: object) -> str:
        found = _string(value)
        if not re.fullmatch(expression, found):
            raise UnfitError(hint(found))
        return found

    return Kind(expected, read)


def _name_hint(found: str) -> str:
    better = re.sub(r"[^a-z0-9]+", "-", found.lower()).strip("-")[:32].strip("-")
    return gettext('try "{better}"; what people read goes into title', better=better) if better else ""


name = pattern(
    later("a name for topics and addresses: 1 to 32 of the characters a-z, 0-9 and -"), NAME.pattern, _name_hint
)


def _box(value: object) -> str:
    found = _string(value)
    urn = found if found.endswith(":") else found + ":"
    if not is_box(urn):
        raise UnfitError(gettext('it is the base name ("bn") of the packs that the box sends'))
    return urn


box = Kind(later('a box\'s URN, RFC 9039, such as "urn:dev:mac:0024befffe804ff1:"'), _box)


def whole(low: int, high: int, unit: str = "") -> Kind[int]:
    """A whole number between two bounds."""

    def read(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            quoted = isinstance(value, str) and value.isdigit()
            raise UnfitError(gettext("write the number without quotes") if quoted else "")
        return value

    bounds: dict[str, object] = {"low": low, "high": high, "unit": unit}
    of_unit, bare = later("a whole number from {low} to {high} {unit}"), later("a whole number from {low} to {high}")
    return Kind(of_unit if unit else bare, read, bounds)


def number(low: float, high: float, unit: str = "", *, above: bool = False) -> Kind[float]:
    """A number between two bounds; ``above``: the lower bound itself is too low."""

    def read(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise UnfitError(gettext("write the number without quotes") if isinstance(value, str) else "")
        if not low <= value <= high or (above and value == low):
            raise UnfitError
        return float(value)

    bounds: dict[str, object] = {"low": f"{low:g}", "high": f"{high:g}", "unit": unit}
    if above:
        bare, of_unit = later("a number above {low} up to {high}"), later("a number above {low} up to {high} {unit}")
    else:
        bare, of_unit = later("a number from {low} to {high}"), later("a number from {low} to {high} {unit}")
    return Kind(of_unit if unit else bare, read, bounds)


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        raise UnfitError(gettext("write true or false, without quotes"))
    return value


flag = Kind(later("true or false"), _flag)


def _zone(value: object) -> str:
    found = _string(value)
    try:
        ZoneInfo(found)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        hint = gettext("zones are named after a city, such as Europe/Lisbon or America/New_York")
        raise UnfitError(hint) from None
    return found


zone = Kind(later("an IANA time zone"), _zone)


def listed(of: Kind[T], what: Word, *, least: int = 0) -> Kind[tuple[T, ...]]:
    """An array whose every element is of a kind."""

    def read(value: object) -> tuple[T, ...]:
        if not isinstance(value, list):
            raise UnfitError(gettext("write it in square brackets, even if it is only one"))
        if len(value) < least:
            raise UnfitError
        return tuple(of.read(element) for element in value)

    return Kind(later("an array of {what}"), read, {"what": what})


def choice(options: Sequence[str], expected: str) -> Kind[str]:
    """One of a few words."""

    def read(value: object) -> str:
        found = _string(value).lower()
        if found not in options:
            raise UnfitError(gettext("one of {words}", words=", ".join(options)))
        return found

    return Kind(expected, read)


def _hours(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value not in {12, 24}:
        raise UnfitError
    return value


hours = Kind(later("12 or 24"), _hours)


def _clock_hint(found: str) -> str:
    short = re.fullmatch(r"(\d):(\d\d)", found)
    if short:
        return gettext('try "{better}"', better=f"0{found}")
    return gettext("24 hours, two digits each: 07:30, 16:00")


_CLOCK = r"(?:[01]\d|2[0-3]):[0-5]\d|24:00"


def _clock(value: object) -> str:
    if isinstance(value, dt.time):
        return value.strftime("%H:%M")
    return pattern("", _CLOCK, _clock_hint).read(value)


clock = Kind(later('a time of day such as "07:30"'), _clock)
span = pattern(
    later('a span of time such as "09:30-09:45"'),
    rf"(?:{_CLOCK})-(?:{_CLOCK})",
    lambda _: gettext("start and end as HH:MM, a - between them"),
)


def _date(value: object) -> dt.date:
    if isinstance(value, dt.datetime) or not isinstance(value, dt.date):
        raise UnfitError(gettext("write the date without quotes: 2026-12-25"))
    return value


date = Kind(later("a date such as 2026-12-25"), _date)
