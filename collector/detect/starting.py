"""Whether a motor comes up to speed: the starting current of one that cannot turn stays.

A motor takes several times its full-load current until it turns, whatever starts it; then the current falls to a
fraction of that. With the blade jammed, or a phase gone, it does not fall until something trips.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

CANNOT_START = "cannot_start"
_WELL_UNDER = 0.6  # of the highest current: it turns
_STEP = 128  # samples looked at in one go: most starts are over by then


class StartWatch:
    """Watches the first seconds of a run.

    Args:
        start: µs at which the motor was switched on.
        limit_us: no start takes longer.
        least_ma: less current than this is no starting current that stays, it may be idle.
    """

    __slots__ = ("_least", "_limit", "_over", "_peak", "_stuck", "_until")

    def __init__(self, start: int, limit_us: int, least_ma: int) -> None:
        self._limit, self._least = start + limit_us, least_ma
        self._peak = 0
        self._over = False
        self._stuck = False
        self._until: int | None = None

    def feed(self, t: Ints, y: Ints) -> None:
        """Takes smoothed samples, µs and mA."""
        if self._over or not len(t):
            return
        for i in range(0, len(t), _STEP):
            if self._look(t[i : i + _STEP], y[i : i + _STEP]):
                return

    def _look(self, t: Ints, y: Ints) -> bool:
        """Whether it is over."""
        peaks = np.maximum(np.maximum.accumulate(y), self._peak)
        turns = np.flatnonzero(y < _WELL_UNDER * peaks)
        n = int(turns[0]) if len(turns) else len(t)
        late = int(np.searchsorted(t[:n], self._limit, side="right"))
        if not self._stuck and late < n:
            self._stuck = bool(peaks[late] >= self._least)
            self._over = not self._stuck
        if n < len(t):
            self._over = True
            self._until = int(t[n])
        self._peak = int(peaks[-1])
        return self._over

    def spell(self, end: int | None) -> tuple[int, int | None] | None:
        """From when (µs) until when the motor could not start, None if it could; ``end``: of the run, if it is over."""
        if not self._stuck:
            return None
        until = self._until if end is None or self._until is None else min(self._until, end)
        return self._limit, end if until is None else max(until, self._limit + 1)
