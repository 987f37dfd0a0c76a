"""The recent part of a growing series of currents, with sums that make any mean one subtraction."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


class Window:
    """Samples from place ``base`` to place ``count``; places count from the first sample ever appended.

    Attributes:
        t: int64 µs, the end of the interval that each sample stands for.
        y: int64 mA.
        sums: int64, one longer than ``y``: ``sums[i]`` is the sum of ``y`` before its index i.
    """

    __slots__ = ("_tops", "base", "sums", "t", "y")

    def __init__(self, base: int, t: NDArray[np.int64], y: NDArray[np.int64]) -> None:
        self.base, self.t, self.y = base, t, y
        self._tops: dict[tuple[int, int], int] = {}
        self.sums = np.zeros(len(y) + 1, np.int64)
        np.cumsum(y, out=self.sums[1:])

    def __reduce__(self) -> tuple[type[Window], tuple[int, NDArray[np.int64], NDArray[np.int64]]]:
        return Window, (self.base, self.t, self.y)  # the sums follow: a state is written often

    @property
    def count(self) -> int:
        """The place after the newest sample."""
        return self.base + len(self.y)

    def append(self, t: NDArray[np.int64], y: NDArray[np.int64]) -> None:
        """Adds samples at the end."""
        more = y.cumsum()
        more += self.sums[-1]
        self.t = np.concatenate((self.t, t))
        self.y = np.concatenate((self.y, y))
        self.sums = np.concatenate((self.sums, more))

    def drop_before(self, place: int) -> None:
        """Forgets samples before a place."""
        i = place - self.base
        if i > 0:
            self.t, self.y = self.t[i:].copy(), self.y[i:].copy()
            self.sums = self.sums[i:] - self.sums[i]
            self.base = place
            self._tops = {}

    def drop_from(self, place: int) -> None:
        """Forgets samples from a place on."""
        i = place - self.base
        self.t, self.y, self.sums = self.t[:i], self.y[:i], self.sums[: i + 1]
        self._tops = {}

    def drop_last(self) -> None:
        """Forgets the newest sample."""
        self.t, self.y, self.sums = self.t[:-1], self.y[:-1], self.sums[:-1]
        self._tops = {}

    def total(self, start: int, end: int) -> int:
        """Sum of the samples at places ``start <= p < end``, mA."""
        return self.sums.item(end - self.base) - self.sums.item(start - self.base)

    def mean(self, start: int, end: int) -> float:
        """Mean of the samples at places ``start <= p < end``, mA; at least one sample."""
        return self.total(start, end) / (end - start)

    def top(self, start: int, end: int) -> int:
        """The highest sample at places ``start <= p < end``, mA."""
        known = self._tops.get((start, end))
        if known is not None:
            return known
        return int(np.maximum.reduce(self.y[start - self.base : end - self.base]))

    def look_for_tops(self, places: list[int]) -> None:
        """Finds what `top` will be asked for between neighbours of these places, in order, at once: that is faster."""
        tops = np.maximum.reduceat(self.y, np.array(places) - self.base)
        self._tops = dict(zip(pairwise(places), tops.tolist(), strict=False))  # the last one goes to the end

    def time(self, place: int) -> int:
        """µs at which the sample at a place ends."""
        return self.t.item(place - self.base)
