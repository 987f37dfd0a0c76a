"""Counts of cuts."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

from collector.facts import Cut, Direction, Fact

if TYPE_CHECKING:
    from collections.abc import Iterable


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


def count_cuts(facts: Iterable[Fact], start: int, end: int) -> CutCounts:
    """Cuts that started in ``[start, end)``, the one that is running included.

    A cut belongs to the period in which it starts, so that the counts of neighbouring periods add up.
    """
    n = Counter(f.direction for f in facts if isinstance(f, Cut) and start <= f.start < end)
    return CutCounts(n[Direction.VERTICAL], n[Direction.HORIZONTAL], n[Direction.UNKNOWN])
