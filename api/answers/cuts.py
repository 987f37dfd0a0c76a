"""Counts of cuts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from collector.facts import Direction
from collector.outline import DIRECTIONS

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class CutCounts:
    """How many cuts of each direction."""

    vertical: int
    horizontal: int
    unknown: int

    @property
    def total(self) -> int:
        """All cuts."""
        return self.vertical + self.horizontal + self.unknown


def count_cuts(outline: NDArray[np.int64], start: int, end: int) -> CutCounts:
    """Cuts that started in ``[start, end)``, the one that is running included.

    A cut belongs to the period in which it starts, so that the counts of neighbouring periods add up.

    Args:
        outline: facts as `Book.outline` reads them.
        start: start of the period, microseconds UTC.
        end: its end.
    """
    inside = outline[(outline[:, 1] >= start) & (outline[:, 1] < end) & (outline[:, 3] >= 0)]
    n = dict(zip(DIRECTIONS, np.bincount(inside[:, 3], minlength=len(DIRECTIONS)).tolist(), strict=True))
    return CutCounts(n[Direction.VERTICAL], n[Direction.HORIZONTAL], n[Direction.UNKNOWN])


HOUR = 3_600_000_000


def cuts_by_hour(outline: NDArray[np.int64], start: int) -> list[int]:
    """Cuts that started in each hour from ``start`` (microseconds UTC) on, up to the hour of the newest."""
    inside = outline[(outline[:, 1] >= start) & (outline[:, 3] >= 0), 1]
    counts: list[int] = np.bincount((inside - start) // HOUR).tolist() if len(inside) else []
    return counts
