"""The starting current: how high it was, and where it is over.

Whatever starts the motor (directly, star-delta, soft starter), the current first is a multiple of what idle takes
and then falls to a level that stays. Spin-up ends with the first samples that agree with each other and lie well
under the peak; without a peak (a drive that ramps up) it ends when the level stays.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from collector.facts import SECOND

Ints = NDArray[np.int64]

_WELL_UNDER = 0.6  # of the peak
_AGREE = 3  # samples
_SPREAD, _SPREAD_MA = 0.12, 200  # they agree within this share of their mean, or this
_RAMP_US, _RAMP_N = 3 * SECOND, 12  # without a peak: not before this time, so many samples must agree
_LONGEST_US = 20 * SECOND


class SpinUp:
    """Holds back the samples of spin-up.

    Args:
        start: µs at which the motor was switched on, or at which the data began.
    """

    __slots__ = ("_start", "_t", "_y")

    def __init__(self, start: int) -> None:
        self._start = start
        self._t: list[int] = []
        self._y: list[int] = []

    def feed(self, t: Ints, y: Ints, *, last: bool) -> tuple[Ints, Ints] | None:
        """Takes smoothed samples; returns those after spin-up once it is over, None before."""
        first = max(len(self._y), _AGREE)
        self._t += t.tolist()
        self._y += y.tolist()
        end = self._end(first)
        if end is None:
            if not last:
                return None
            end = max(0, len(self._y) - _AGREE)
        return np.array(self._t[end:], np.int64), np.array(self._y[end:], np.int64)

    def _end(self, first: int) -> int | None:
        y = self._y
        for n in range(first, len(y) + 1):
            near = y[n - _AGREE : n]
            mean = sum(near) / _AGREE
            agree = max(near) - min(near) <= max(_SPREAD * mean, _SPREAD_MA)
            took = self._t[n - 1] - self._start
            if took > _LONGEST_US:
                return n - _AGREE
            if not agree:
                continue
            peak = max(y[:n])
            if mean <= _WELL_UNDER * peak:
                return n - _AGREE
            steady = y[max(0, n - _RAMP_N) : n]
            if took >= _RAMP_US and max(steady) - min(steady) <= max(_SPREAD * mean, 2 * _SPREAD_MA) and peak < 1.4 * mean:
                return n - _RAMP_N
        return None
