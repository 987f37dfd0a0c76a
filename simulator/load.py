"""What a cut asks of the motor: cutting power from feed, thickness, material and the state of the blade.

    P = k · b · h · v_f

with the specific cutting energy k [J/cm³ = N/mm²], kerf b [mm], thickness h [mm], feed v_f [m/s]. The
specific energies are orders of magnitude from memory (no source at hand): they fix how a light cut compares
with a heavy one, and no test holds them against anything but their order.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simulator.dice import Dice


@dataclass(frozen=True, slots=True)
class Material:
    """A sheet material.

    Specific cutting energy [N/mm²], usual thicknesses [mm], relative ripple of the load, share of cuts with a
    knot.
    """

    name: str
    energy: float
    thicknesses: tuple[int, ...]
    ripple: float
    knots: float = 0.0


MATERIALS = (
    Material("mdf", 36.0, (12, 16, 18, 22, 25), 0.05),
    Material("chipboard", 32.0, (16, 19, 22, 25), 0.09),
    Material("birch plywood", 44.0, (12, 15, 18, 24), 0.10, 0.10),
    Material("pine board", 26.0, (18, 27, 42), 0.14, 0.35),
    Material("laminate on chipboard", 38.0, (19, 28), 0.07),
)


@dataclass(frozen=True, slots=True)
class Blade:
    """The blade on the saw.

    Kerf and diameter [mm]; ``dull`` multiplies the cutting power (1 fresh … 1.7 due).
    """

    kerf_mm: float = 3.2
    diameter_mm: float = 280.0
    dull: float = 1.0


def cutting_watts(energy: float, kerf_mm: float, thickness_mm: float, feed_m_s: float, dull: float = 1.0) -> float:
    """Cutting power [W]: N/mm² · mm · mm · m/s."""
    return energy * kerf_mm * thickness_mm * feed_m_s * dull


def entry_seconds(diameter_mm: float, thickness_mm: float, feed_m_s: float) -> float:
    """How long the load takes to build up when the blade enters an edge [s], kept to 0.05..0.4 s.

    The blade stands a little through the sheet; from touching with its rim until it cuts the full thickness
    it advances about the half chord of a circle segment as high as the sheet is thick, √(h·(d - h)).
    """
    chord_mm = math.sqrt(thickness_mm * (diameter_mm - thickness_mm))
    return min(max(0.5 * chord_mm / 1000 / feed_m_s, 0.05), 0.4)


@dataclass(frozen=True, slots=True)
class Passage:
    """One passage of the blade through material.

    ``start`` and ``end`` [s from the script's start] are first and last contact. ``points`` is the active
    current [A] along it as (time, amperes), zero at both ends. ``ripple`` is the relative deviation round it,
    changing about every ``grain_s``.
    ``bump`` marks a touch that is no cut. ``cause`` says what was cut, for whoever looks for a reason.
    """

    start: float
    end: float
    vertical: bool
    points: tuple[tuple[float, float], ...]
    ripple: float
    grain_s: float
    bump: bool = False
    cause: str = ""


@dataclass(frozen=True, slots=True)
class Manner:
    """How an operator feeds.

    Chances per cut [0..1] of a feed pause, of levels (a second sheet, a rebate), of a knot; how long a pause
    is [s].
    """

    pause: float = 0.04
    pause_s: tuple[float, float] = (0.25, 0.85)
    levels: float = 0.06
    knots: float = 0.0


def passage(
    dice: Dice,
    start: float,
    seconds: float,
    amps: float,
    *,
    entry_s: float,
    ripple: float,
    manner: Manner,
    vertical: bool,
    knots: float = 0.0,
    cause: str = "",
) -> Passage:
    """A passage of ``seconds`` at about ``amps`` of active current, with what may happen on the way."""
    rise = min(entry_s * dice.uniform(0.8, 1.25), 0.35 * seconds)
    fall = min(entry_s * dice.uniform(0.6, 1.1), 0.35 * seconds)
    top, last = start + rise, start + seconds - fall
    level = amps
    points = [(start, 0.0), (top, level)]
    room = last - top
    if room > 1.5 and dice.chance(manner.levels):
        for share in sorted(dice.uniform(0.15, 0.85) for _ in range(dice.integer(1, 2))):
            when = top + share * room
            points.append((when, level))
            level = amps * dice.uniform(0.6, 1.7)
            points.append((when + dice.uniform(0.05, 0.2), level))
    elif room > 3.0 and dice.chance(manner.pause):
        # The operator shifts grip: the blade stands in its kerf and only rubs. Current is back at idle for
        # less than a second.
        slow, idle, again = dice.uniform(0.05, 0.15), dice.uniform(*manner.pause_s), dice.uniform(0.06, 0.2)
        when = top + dice.uniform(0.1, 0.9) * (room - slow - idle - again)
        rub = level * dice.uniform(0.0, 0.04)
        points += [
            (when, level),
            (when + slow, rub),
            (when + slow + idle, rub),
            (when + slow + idle + again, level),
        ]
    elif room > 1.0 and dice.chance(max(knots, manner.knots)):
        when, width = top + dice.uniform(0.1, 0.7) * room, dice.uniform(0.1, 0.3)
        points += [(when, level), (when + width / 2, level * dice.uniform(1.4, 2.0)), (when + width, level)]
    else:
        # Nobody feeds evenly by hand.
        when = top + dice.uniform(0.4, 3.0)
        while when < last - 0.3:
            points.append((when, level * dice.uniform(0.85, 1.15)))
            when += dice.uniform(0.6, 3.0)
    points += [(last, level * dice.uniform(0.9, 1.1)), (start + seconds, 0.0)]
    return Passage(start, start + seconds, vertical, tuple(points), ripple, dice.uniform(0.1, 0.3), cause=cause)


def touch(dice: Dice, start: float, amps: float, *, vertical: bool, longest_s: float = 0.7) -> Passage:
    """A short touch that is no cut: the blade grazes an edge, an offcut falls against it; under 0.8 s."""
    seconds = dice.uniform(0.15, longest_s)
    a, b = dice.uniform(0.15, 0.4), dice.uniform(0.5, 0.8)
    points = ((start, 0.0), (start + a * seconds, amps), (start + b * seconds, amps), (start + seconds, 0.0))
    return Passage(start, start + seconds, vertical, points, 0.1, 0.1, bump=True, cause="touch")
