"""Utilisation of a saw: how much of the planned time it was in use, and how much of that is known.

Time elements and ratios are those of ISO 22400-2, as design.md words them:

- APT, actual production time: time in WORKING.
- AUBT, actual unit busy time: motor running, and the pauses between two cuts that are shorter than the busy
gap.
- PBT, planned busy time: the shift calendar's time less breaks.
- availability (also: degree of utilisation) = APT / PBT, allocation efficiency = AUBT / PBT,
  utilization efficiency = APT / AUBT.
- coverage: the share of the planned time for which data exists.

What counts, exactly:

- All three times are taken in planned time that has data, so that a ratio compares like with like and lies
  between 0 and 1. Cuts outside the plan (overtime, through a break) are reported beside it, as ``extra``.
- A pause runs from the end of a cut to the start of the next. Its whole length by the clock is held against
  the busy gap, also where a break, a gap in the data or the edge of the period lies in it; a pause that is
  short enough is in use over all of it, with the motor off as well. A ten-minute break between two cuts is
  therefore no pause in use, and of a short pause across the start of a break only the part before it is in
  planned time.
- A pause counts once the next cut has started: the running end of the last cut is in use only while the motor
runs.
- A conflict takes WORKING away (the state is ERROR) but not the motor's running.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from api.answers.elements import Elements
from api.answers.intervals import clip, total_by_bucket

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from api.answers.intervals import Spans
    from api.answers.states import Activity


@dataclass(frozen=True, slots=True)
class Utilisation:
    """Utilisation of one period ``[start, end)``; all times in microseconds.

    Attributes:
        planned: planned time, whether or not it has data.
        pbt: planned busy time that has data, the denominator.
        apt: actual production time in ``pbt``.
        aubt: actual unit busy time in ``pbt``.
        extra: actual unit busy time outside the plan.
    """

    start: int
    end: int
    planned: int
    pbt: int
    apt: int
    aubt: int
    extra: int

    @property
    def availability(self) -> float | None:
        """APT / PBT, 0 to 1; None where nothing was planned or known."""
        return _ratio(self.apt, self.pbt)

    @property
    def allocation_efficiency(self) -> float | None:
        """AUBT / PBT, 0 to 1; None where nothing was planned or known."""
        return _ratio(self.aubt, self.pbt)

    @property
    def utilization_efficiency(self) -> float | None:
        """APT / AUBT, 0 to 1; None where the saw was not in use."""
        return _ratio(self.apt, self.aubt)

    @property
    def coverage(self) -> float | None:
        """Known part of the planned time, 0 to 1; None where nothing was planned."""
        return _ratio(self.pbt, self.planned)


def _ratio(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def utilisation(
    act: Activity, planned: Spans, edges: NDArray[np.int64], busy_gap: int, until: int
) -> list[Utilisation]:
    """Utilisation of each bucket ``[edges[i], edges[i + 1])``.

    Args: act: what the saw did; must reach ``busy_gap`` beyond both ends of the period, so that pauses at the
        edges are judged by their whole length. planned: planned working time, breaks cut out. edges:
        increasing times, at least two. busy_gap: longest pause in use, microseconds, itself not in use.
        until: planned time from here on is still to come and counts nowhere.
    """
    found = Elements(act, clip(planned, int(edges[0]), min(int(edges[-1]), until)), busy_gap)
    columns = (found.plan, found.known, found.cutting, found.in_use, found.extra)
    sums = np.column_stack([total_by_bucket(c, edges) for c in columns]).tolist()
    bounds = edges.tolist()
    return [Utilisation(bounds[i], bounds[i + 1], *row) for i, row in enumerate(sums)]
