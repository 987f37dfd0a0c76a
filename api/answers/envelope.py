"""A long signal as a short one: lowest, highest and mean value of equal slices of time.

The extremes are exact: the highest of all ``high`` is the highest reading. A silence longer than 15 s between
two slices shows as a row without values, so that no line is drawn across it. What is shorter than a slice is
below the picture's resolution.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from api.answers.states import SILENCE
from collector.trace.slices import Slices

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from collector.signals import Series


@dataclass(frozen=True, slots=True)
class Point:
    """One slice: time of its first reading (microseconds UTC) and its values, all None amid a silence."""

    t: int
    low: int | None
    high: int | None
    mean: float | None


@dataclass(slots=True)
class Envelope:
    """Collects a series piece by piece, so that a long period never has to be in memory at once.

    Args:
        start: start of the period, microseconds UTC.
        end: its end.
        points: how many rows `rows` may give at most, at least 2.

    Attributes:
        width: of a slice, microseconds.

    Raises:
        ValueError: the period is empty or ``points`` below 2.

    Example:
        >>> env = Envelope(0, 40, points=4)
        >>> env.add(Series.of([0, 5, 12, 25, 31], [3, 9, 4, 7, 1]))
        >>> [(p.t, p.low, p.high, p.mean) for p in env.rows()]
        [(0, 3, 9, 5.333333333333333), (25, 1, 7, 4.0)]
    """

    start: int
    end: int
    points: int
    width: int = field(init=False)
    _low: NDArray[np.int64] = field(init=False, repr=False)
    _high: NDArray[np.int64] = field(init=False, repr=False)
    _sum: NDArray[np.int64] = field(init=False, repr=False)
    _count: NDArray[np.int64] = field(init=False, repr=False)
    _first: NDArray[np.int64] = field(init=False, repr=False)
    _last: NDArray[np.int64] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        if self.end <= self.start or self.points < 2:
            raise ValueError("an envelope needs a period that ends after it starts, and at least 2 points")
        # Half of the rows are slices, the other half is room for a silence after each of them.
        n = min((self.points + 1) // 2, self.end - self.start)
        far = np.iinfo(np.int64)
        self.width = -(-(self.end - self.start) // n)
        self._low, self._high = np.full(n, far.max), np.full(n, far.min)
        self._sum, self._count = np.zeros(n, np.int64), np.zeros(n, np.int64)
        self._first, self._last = np.full(n, far.max), np.full(n, far.min)

    def add(self, series: Series) -> None:
        """Take the readings of ``series`` that lie in the period; each must be given just once."""
        s = series.between(self.start, self.end)
        self.add_slices(Slices.of(s, self.start, self.width))

    def add_slices(self, slices: Slices) -> None:
        """Take slices that begin in the period, each into that of ours in which its first reading lies."""
        if not len(slices):
            return
        at = (slices.first - self.start) // self.width
        np.minimum.at(self._low, at, slices.low)
        np.maximum.at(self._high, at, slices.high)
        np.add.at(self._sum, at, slices.total)
        np.add.at(self._count, at, slices.count)
        np.minimum.at(self._first, at, slices.first)
        np.maximum.at(self._last, at, slices.last)

    def rows(self) -> list[Point]:
        """At most ``points`` rows in order of time."""
        out: list[Point] = []
        before: int | None = None
        for i in np.flatnonzero(self._count):
            first = int(self._first[i])
            if before is not None and first - before > SILENCE:
                out.append(Point((before + first) // 2, None, None, None))
            out.append(Point(first, int(self._low[i]), int(self._high[i]), float(self._sum[i] / self._count[i])))
            before = int(self._last[i])
        return out


def changes(series: Series, limit: int) -> Series:
    """The readings at which a switch differs from its reading before, the first ``limit`` of them."""
    if not len(series):
        return series
    keep = np.flatnonzero(np.concatenate(([True], series.v[1:] != series.v[:-1])))[:limit]
    return type(series)(series.t[keep], series.v[keep])
