"""The manner in which things are shown to somebody: language, clock, measures, first day of the week."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from babel import Locale, UnknownLocaleError
from babel.core import get_global

from api.tongues.catalogue import SOURCE, languages

if TYPE_CHECKING:
    from collections.abc import Mapping

INCH_TERRITORIES = frozenset({"US", "LR", "MM"})
"""Territories that measure in inches: measurementSystem ``US`` in CLDR, and Myanmar from memory."""
_HOME = {"en": "en_GB", "pt": "pt_PT"}
"""Where the catalogues' languages are at home. Not every browser knows a locale such as en-PT, and would write American
dates for it."""


@dataclass(frozen=True, slots=True)
class Show:
    """What a workshop settled in ``[show]``; None: by its territory, and the language by who asks.

    Attributes:
        language: code of a language that there is.
        hours: 12 or 24.
        measures: ``metric`` or ``inch``.
        first_day: of the week, 0 is Monday.
    """

    language: str | None = None
    hours: int | None = None
    measures: str | None = None
    first_day: int | None = None


@dataclass(frozen=True, slots=True)
class Manner:
    """All of it settled.

    Attributes:
        language: code of the catalogue.
        locale: CLDR locale of dates and numbers, such as ``pt_PT``.
        hours: 12 or 24.
        inches: lengths in inches and feet.
        first_day: of the week, 0 is Monday.
    """

    language: str = SOURCE
    locale: str = "en_GB"
    hours: int = 24
    inches: bool = False
    first_day: int = 0

    @property
    def tag(self) -> str:
        """BCP 47 language tag, as HTML and browsers want it."""
        return self.locale.replace("_", "-")

    @property
    def cldr(self) -> Locale:
        """Babel's locale."""
        return Locale.parse(self.locale)


@lru_cache(maxsize=64)
def manner(show: Show, zone: str, language: str | None = None) -> Manner:
    """The manner for somebody who speaks a language, in a workshop in a zone.

    Args:
        show: what the workshop settled; each thing it left open follows from the territory of its zone (CLDR).
        zone: IANA time zone.
        language: goes before the workshop's; an unknown one counts as none.
    """
    territory = get_global("zone_territories").get(zone, "001")
    chosen = next((code for code in (language, show.language) if code in languages()), SOURCE)
    there = _main_locale(territory)
    hours = 12 if "h" in str(there.time_formats["short"]) else 24
    return Manner(
        chosen,
        _locale(chosen, territory),
        show.hours or hours,
        (show.measures == "inch") if show.measures else territory in INCH_TERRITORIES,
        there.first_week_day if show.first_day is None else show.first_day,
    )


def _locale(language: str, territory: str) -> str:
    return "en_US" if language == "en" and territory == "US" else _HOME.get(language, language)


def _main_locale(territory: str) -> Locale:
    """The locale of the language that most people of a territory write, which knows its clock and its week.

    Of no territory (zones such as UTC): Europe's, whose 24 hours and Monday are those that CLDR gives the world.
    """
    if territory == "001":
        return Locale.parse("en_150")
    likely = get_global("likely_subtags").get(f"und_{territory}", f"en_{territory}")
    try:
        return Locale.parse(likely)
    except UnknownLocaleError:
        return Locale.parse("en_150")


def of_terminal(environment: Mapping[str, str]) -> Manner:
    """The manner of a command line, by the first given of LC_ALL, LC_MESSAGES and LANG (POSIX, 8.2); else English."""
    tag = next((environment[name] for name in ("LC_ALL", "LC_MESSAGES", "LANG") if environment.get(name)), "")
    language = tag.partition(".")[0].partition("_")[0].lower()
    return Manner(language, _HOME.get(language, language)) if language in languages() else Manner()
