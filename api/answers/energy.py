"""Electrical energy, estimated from the motor's current: no meter, and marked as an estimate wherever it is shown.

Three-phase power is P = √3·U·I·cos φ (single-phase: U·I·cos φ), with U the voltage between the lines and I the RMS
current of one of them: the formula of every electrical handbook. cos φ is no reading. It is set once for cutting and
once for idling, for an induction motor without load draws mostly magnetising current.

While the blade is in a sheet, the cut's mean current counts. While the motor runs without load, the idle current of
the newest cut counts, if that began less than `MEMORY` ago. Idling for which there is none is estimated like the rest
of the period's idling.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from api.answers.intervals import inside, intersect, subtract
from collector.facts import SECOND
from collector.signals import distinct

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from api.answers.states import Activity

MEMORY = 1800 * SECOND
"""An idle current is good for so long after the start of the cut beside which it was measured."""

_MA_US_A_HOUR = 1000 * 3600 * SECOND


@dataclass(frozen=True, slots=True)
class Supply:
    """What is known of the motor's supply.

    Attributes:
        volts: between the lines [V].
        phases: 3 or 1.
        cutting_factor: cos φ while cutting.
        idle_factor: cos φ while the motor runs without load.

    Raises:
        ValueError: a voltage that is not positive, other than 1 or 3 phases, or a cos φ not above 0 and up to 1.

    Example:
        >>> round(Supply(400, 3, cutting_factor=0.83).kilowatts(8.7, cutting=True), 2)  # √3 · 400 V · 8.7 A · 0.83
        5.0
    """

    volts: float = 400.0
    phases: int = 3
    cutting_factor: float = 0.8
    idle_factor: float = 0.2

    def __post_init__(self) -> None:
        if not self.volts > 0:
            raise ValueError(f"a voltage lies above 0 V, not at {self.volts}")
        if self.phases not in {1, 3}:
            raise ValueError(f"a motor has 1 or 3 phases, not {self.phases}")
        if not (0 < self.cutting_factor <= 1 and 0 < self.idle_factor <= 1):
            raise ValueError("cos φ lies above 0 and not above 1")

    def kilowatts(self, amps: float, *, cutting: bool) -> float:
        """Active power [kW] at a line current [A]."""
        factor = self.cutting_factor if cutting else self.idle_factor
        return math.sqrt(self.phases) * self.volts * amps * factor / 1000

    def kilowatt_hours(self, charge: int, *, cutting: bool) -> float:
        """Energy [kWh] of a charge [mA·µs]."""
        return self.kilowatts(charge / _MA_US_A_HOUR, cutting=cutting)


@dataclass(frozen=True, slots=True)
class Charges:
    """Current by time in each bucket, int64, exact: it adds up.

    Attributes:
        cutting: of the cuts [mA·µs].
        idle: of idling for which a current is known [mA·µs].
        idle_known: how long that was [µs].
        idle_time: how long the motor ran without load in all [µs].
    """

    cutting: NDArray[np.int64]
    idle: NDArray[np.int64]
    idle_known: NDArray[np.int64]
    idle_time: NDArray[np.int64]


def charges(act: Activity, loads: NDArray[np.int64], edges: NDArray[np.int64]) -> Charges:
    """The charges of each bucket ``[edges[i], edges[i + 1])``, planned or not.

    Args:
        act: what the saw did; must reach over both ends.
        loads: a row (start, end, mean [mA], idle [mA]) for each cut from `MEMORY` before the first edge on, in order of
            start.
        edges: increasing times, at least two.
    """
    cuts = act.cuts
    idle = subtract(act.runs, cuts)
    starts = loads[:, 0]
    period = np.array([[edges[0], edges[-1]]], np.int64)
    moments = (edges, *(s.ravel() for s in (intersect(cuts, period), intersect(idle, period))), starts, starts + MEMORY)
    points = distinct(np.concatenate(moments))
    points = points[(points >= edges[0]) & (points <= edges[-1])]
    at, width = points[:-1], np.diff(points)
    bucket = np.searchsorted(edges, at, side="right") - 1
    newest = np.searchsorted(starts, at, side="right") - 1  # the cut that began last
    held = loads[newest] if len(loads) else np.zeros((len(at), 4), np.int64)
    is_cut, is_idle = inside(cuts, at), inside(idle, at)
    fresh = (newest >= 0) & (at - held[:, 0] < MEMORY)

    def summed(weights: NDArray[np.int64]) -> NDArray[np.int64]:
        out = np.zeros(len(edges) - 1, np.int64)
        np.add.at(out, bucket, weights)
        return out

    return Charges(
        summed(np.where(is_cut & (newest >= 0), held[:, 2], 0) * width),
        summed(np.where(is_idle & fresh, held[:, 3], 0) * width),
        summed(np.where(is_idle & fresh, width, 0)),
        summed(np.where(is_idle, width, 0)),
    )
