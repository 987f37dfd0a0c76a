"""How long messages wait from their receipt to the commit after which they are acknowledged; counted in buckets."""

from __future__ import annotations

from bisect import bisect_left

BOUNDS_S = (0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0, 60.0, 300.0)
"""Upper bounds of the buckets [s]; a last one takes the rest."""


class Delays:
    """Adds up delays; one thread adds, any reads.

    >>> delays = Delays()
    >>> for seconds in (0.02, 0.1, 400):
    ...     delays.add(seconds)
    >>> delays.counts[:3], delays.counts[-1], round(delays.sum_s, 2)
    ([1, 1, 0], 1, 400.12)
    """

    def __init__(self) -> None:
        self.counts = [0] * (len(BOUNDS_S) + 1)
        self.sum_s = 0.0

    def add(self, seconds: float) -> None:
        """One more; a delay that equals a bound lies below it."""
        self.counts[bisect_left(BOUNDS_S, seconds)] += 1
        self.sum_s += seconds
