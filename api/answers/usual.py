"""The usual day: what a saw had done, on the days before, by as much planned time as has passed today. Pure.

Days are compared by planned time and not by the clock, so that a day that began late or has another shift is still
compared with like.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from api.answers.measures import NAMES

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from api.answers.intervals import Spans

STEP = 15 * 60_000_000
"""Planned time between two points of a day's curve, µs; between them it is straight."""
FEWEST = 3
"""So many comparable days it takes to speak of the usual one."""
LEAST_KNOWN = 0.5
"""A day counts only with data for this share of its planned time so far."""

_KNOWN, _IN_USE = NAMES.index("known"), NAMES.index("in_use")
_CUTS = [NAMES.index(name) for name in ("vertical", "horizontal", "unknown")]


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """One day so far, by planned time passed: arrays of the same length, times in µs.

    Attributes:
        passed: planned time since the day began, from 0 on.
        known: of it with data.
        in_use: of that in use.
        cuts: cuts that started.
    """

    passed: NDArray[np.int64]
    known: NDArray[np.int64]
    in_use: NDArray[np.int64]
    cuts: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Usual:
    """The middle (median) of comparable days, by now: share in use, cuts, and how many days they were."""

    allocation_efficiency: float
    cuts: float
    days: int


def passed(plan: Spans, t: int) -> int:
    """Planned time up to a moment, µs."""
    return int(np.clip(t - plan[:, 0], 0, plan[:, 1] - plan[:, 0]).sum())


def edges(plan: Spans) -> NDArray[np.int64]:
    """The moments at which a day's planned time has grown by `STEP` each, the plan's ends included."""
    lengths = plan[:, 1] - plan[:, 0]
    before = np.concatenate(([0], np.cumsum(lengths)))
    wanted = np.append(np.arange(0, before[-1], STEP), before[-1])
    span = np.clip(np.searchsorted(before, wanted, side="left") - 1, 0, len(plan) - 1)
    found: NDArray[np.int64] = plan[span, 0] + wanted - before[span]
    return found


def curve(plan: Spans, at: NDArray[np.int64], rows: NDArray[np.int64]) -> Curve:
    """A day's curve.

    Args:
        plan: its planned time; not empty.
        at: `edges` of it.
        rows: the measures between the edges, shape (len(at) - 1, len(NAMES)).
    """
    known, in_use, cuts = (  # arrays of their own: a view would keep all the other measures
        np.concatenate(([0], np.cumsum(column)))
        for column in (rows[:, _KNOWN], rows[:, _IN_USE], rows[:, _CUTS].sum(axis=1))
    )
    return Curve(np.array([passed(plan, int(t)) for t in at], np.int64), known, in_use, cuts)


def usual(curves: Iterable[Curve], now: int) -> Usual | None:
    """The usual day after ``now`` µs of planned time; None where too few days can be compared.

    A day whose plan was shorter than that is left out, and so is one that was mostly without data.
    """
    shares, cuts = [], []
    for day in curves:
        if now <= 0 or now > day.passed[-1]:
            continue
        known, in_use, made = (float(np.interp(now, day.passed, y)) for y in (day.known, day.in_use, day.cuts))
        if known >= LEAST_KNOWN * now:
            shares.append(in_use / known)
            cuts.append(made)
    return Usual(median(shares), median(cuts), len(shares)) if len(shares) >= FEWEST else None
