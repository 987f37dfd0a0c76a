"""Facts as numbers: when each was and of what kind, for reckoning with many of them at once.

An outline is an int64 array of shape (n, 4), a row (kind, start, end, direction) a fact; facts of one kind
stand in order of start. Pure.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from collector.facts import Conflict, Cut, Direction, DoorVisit, Fact, Gap, Run

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

OPEN = 2**62
"""The end of a fact that is still going on."""

KINDS = (Run.kind, Cut.kind, DoorVisit.kind, Conflict.kind, Gap.kind)
"""The number of a kind is its place here."""

DIRECTIONS = tuple(Direction)
"""The number of a direction is its place here; -1 where the fact is no cut."""


def outline_of(facts: Iterable[Fact]) -> NDArray[np.int64]:
    """The outline of facts in any order."""
    rows = [
        (
            KINDS.index(f.kind),
            f.start,
            OPEN if f.end is None else f.end,
            DIRECTIONS.index(f.direction) if isinstance(f, Cut) else -1,
        )
        for f in facts
    ]
    return np.array(sorted(rows), np.int64).reshape(-1, 4)
