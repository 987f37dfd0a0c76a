"""A saw's figures over a period as whole numbers that add up, from which every ratio is made.

A row of measures is int64: times in microseconds, charges in mA·µs, counts of cuts. The row of a period is the sum of
the rows of its parts, however it is parted: that is why sums can be kept (`api.sums`).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from operator import attrgetter
from typing import TYPE_CHECKING

import numpy as np

from api.answers.elements import Elements, Reason
from api.answers.energy import charges
from api.answers.intervals import clip, total_by_bucket
from api.answers.utilisation import Utilisation
from collector.facts import Direction
from collector.outline import DIRECTIONS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from api.answers.energy import Supply
    from api.answers.intervals import Spans
    from api.answers.states import Activity

LONGEST_KEPT = 3
"""So many stretches of a day and reason are kept."""


@dataclass(frozen=True, slots=True)
class Measures:
    """One period's measures.

    Attributes:
        planned: planned time, not to come.
        known: of it with data: PBT.
        cutting: of that in WORKING: APT.
        in_use: of it in use: AUBT.
        handling: of it between two cuts that are less than the busy gap apart.
        door: not in use, the door open.
        extra: in use outside the plan.
        motor_idle: motor running without load, planned or not.
        idle_known: part of ``motor_idle`` for which a current is known.
        idle_charge: charge of that part.
        cut_charge: charge of the cuts.
        vertical, horizontal, unknown: cuts that started.
    """

    planned: int = 0
    known: int = 0
    cutting: int = 0
    in_use: int = 0
    handling: int = 0
    door: int = 0
    extra: int = 0
    motor_idle: int = 0
    idle_known: int = 0
    idle_charge: int = 0
    cut_charge: int = 0
    vertical: int = 0
    horizontal: int = 0
    unknown: int = 0

    @classmethod
    def of(cls, row: NDArray[np.int64]) -> Measures:
        """From a row of numbers in the order of `NAMES`."""
        return cls(*row.tolist())

    @property
    def row(self) -> tuple[int, ...]:
        """Its numbers in the order of `NAMES`."""
        return _numbers(self)

    @property
    def cuts(self) -> int:
        """All cuts."""
        return self.vertical + self.horizontal + self.unknown

    @property
    def why_not(self) -> dict[Reason, int]:
        """Planned time that was not used, by reason."""
        return {
            Reason.IDLING: self.in_use - self.cutting - self.handling,
            Reason.DOOR: self.door,
            Reason.STANDING: self.known - self.in_use - self.door,
            Reason.NO_DATA: self.planned - self.known,
        }

    def utilisation(self, start: int, end: int) -> Utilisation:
        """The ratios of ISO 22400-2 for the period that this was."""
        return Utilisation(start, end, self.planned, self.known, self.cutting, self.in_use, self.extra)


NAMES = tuple(f.name for f in fields(Measures))
"""Names of the columns, in order."""

_numbers = attrgetter(*NAMES)


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of planned time that was not used, µs UTC."""

    why: Reason
    start: int
    end: int


def measures(
    act: Activity, loads: NDArray[np.int64], planned: Spans, edges: NDArray[np.int64], busy_gap: int, until: int
) -> NDArray[np.int64]:
    """Measures of each bucket ``[edges[i], edges[i + 1])``: shape (buckets, len(NAMES)).

    Args:
        act: what the saw did; must reach ``busy_gap`` beyond both ends of the period.
        loads: as for `api.answers.energy.charges`.
        planned: planned working time, breaks cut out.
        edges: increasing times, at least two.
        busy_gap: longest pause in use, itself not in use.
        until: planned time from here on is still to come and counts nowhere.
    """
    found = Elements(act, clip(planned, int(edges[0]), min(int(edges[-1]), until)), busy_gap)
    times = (found.plan, found.known, found.cutting, found.in_use, found.handling, found.door, found.extra)
    load = charges(act, loads, edges)
    columns = [total_by_bucket(c, edges) for c in times]
    columns += [load.idle_time, load.idle_known, load.idle, load.cutting]
    return np.column_stack(columns + count_by_bucket(act, edges))


def count_by_bucket(act: Activity, edges: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Cuts that started in each bucket: vertical, horizontal, of unknown direction."""
    rows = act.cut_rows
    order = (Direction.VERTICAL, Direction.HORIZONTAL, Direction.UNKNOWN)
    return [
        np.diff(np.searchsorted(rows[act.cut_directions == DIRECTIONS.index(d), 0], edges, side="left")) for d in order
    ]


def longest(act: Activity, planned: Spans, days: NDArray[np.int64], busy_gap: int, until: int) -> list[Stretch]:
    """The longest stretches of each day and reason, at most `LONGEST_KEPT` each; in order of time.

    A stretch ends with its day, a break, or the shift.

    Args: as for `measures`; days: edges of the days, none before the one ahead of it.
    """
    out: list[Stretch] = []
    for a, b in zip(days[:-1].tolist(), days[1:].tolist(), strict=True):
        found = Elements(act, clip(planned, a, min(b, until)), busy_gap)
        for why, where in found.why_not().items():
            lasted = where[:, 1] - where[:, 0]
            top = where[np.argsort(-lasted, kind="stable")[:LONGEST_KEPT]]
            out += [Stretch(why, s, e) for s, e in top.tolist()]
    return sorted(out, key=lambda s: (s.start, s.why))


@dataclass(frozen=True, slots=True)
class Energy:
    """An estimate [kWh]; idle is None where no idle current is known."""

    cutting: float
    idle: float | None


def energy(m: Measures, supply: Supply) -> Energy:
    """The energy of a period, estimated."""
    if m.motor_idle == 0:
        idle: float | None = 0.0
    elif m.idle_known == 0:
        idle = None
    else:
        idle = supply.kilowatt_hours(m.idle_charge, cutting=False) * (m.motor_idle / m.idle_known)
    return Energy(supply.kilowatt_hours(m.cut_charge, cutting=True), idle)
