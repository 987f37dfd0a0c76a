"""How long a blade may cut before it must be sharpened: in cuts, minutes of cutting, estimated metres.

Whichever comes first. The defaults are where a shop begins until it knows its own blades: all are *common practice,
no source*, for a carbide-tipped blade of 250 to 350 mm. Metres are estimated from the minutes and a typical feed,
for no box measures the feed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.tongues.say import later

if TYPE_CHECKING:
    from collector.book.blade_entries import BladeSheet

COMMON_PRACTICE = "common practice, no source"
FEED_M_MIN = 12.0
"""Feed for estimated metres [m/min]: a hand-fed vertical panel saw (*common practice, no source*)."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Service limits; ``source`` says where they come from."""

    cuts: int
    minutes: int
    metres: int
    source: str = COMMON_PRACTICE


@dataclass(frozen=True, slots=True)
class Group:
    """A group of materials that wear a blade alike."""

    title: str
    limits: Limits


GROUPS = {
    "mixed": Group(later("mixed sheet goods"), Limits(2200, 370, 4400)),
    "plain-board": Group(later("chipboard and MDF, uncoated"), Limits(2500, 420, 5000)),
    "coated-board": Group(later("coated or laminated board"), Limits(1500, 250, 3000)),
    "plywood": Group(later("plywood"), Limits(2000, 330, 4000)),
    "solid-wood": Group(later("solid wood"), Limits(3500, 580, 7000)),
    "abrasive": Group(later("cement-bonded board, high-pressure laminate"), Limits(700, 120, 1400)),
}


@dataclass(frozen=True, slots=True)
class Use:
    """What a blade has cut: cuts, minutes, estimated metres."""

    cuts: int = 0
    minutes: float = 0.0
    metres: float = 0.0

    def __add__(self, other: Use) -> Use:
        return Use(self.cuts + other.cuts, self.minutes + other.minutes, self.metres + other.metres)


def use_of(cuts: int, cutting_us: int, feed_m_min: float = FEED_M_MIN) -> Use:
    """The use that a number of cuts of some length in all [µs] makes."""
    minutes = cutting_us / 60e6
    return Use(cuts, minutes, minutes * feed_m_min)


def limits_of(sheet: BladeSheet) -> Limits:
    """The limits of a blade: those given for it, the rest its group's defaults.

    Raises:
        KeyError: the group does not exist.
    """
    default = GROUPS[sheet.group].limits
    own = (sheet.limit_cuts, sheet.limit_minutes, sheet.limit_metres)
    if own == (None, None, None):
        return default
    return Limits(
        default.cuts if sheet.limit_cuts is None else sheet.limit_cuts,
        default.minutes if sheet.limit_minutes is None else sheet.limit_minutes,
        default.metres if sheet.limit_metres is None else sheet.limit_metres,
        "given for this blade" if None not in own else f"given for this blade; the rest {default.source}",
    )


@dataclass(frozen=True, slots=True)
class Spent:
    """How much of a service is used: ``share`` 1 is the limit; ``by`` is the measure that comes first."""

    share: float
    by: str


def spent(use: Use, limits: Limits) -> Spent:
    """How far a blade is, by the measure that is furthest."""
    parts = {
        "cuts": use.cuts / limits.cuts,
        "minutes": use.minutes / limits.minutes,
        "metres": use.metres / limits.metres,
    }
    by = max(parts, key=lambda k: parts[k])
    return Spent(parts[by], by)
