"""The starting current: how high it was, and where it is over.

Whatever starts the motor (directly, star-delta, soft starter), the current first is a multiple of what idle takes
and then falls to a level that stays. Spin-up ends with the first samples that agree with each other and lie well
under the peak; without such a peak (a drive that ramps up, a start of two samples) it ends when the level stays.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from collector.facts import SECOND

Ints = NDArray[np.int64]

_WELL_UNDER = 0.6  # of the peak
_SOME_PEAK = 1.4  # ... of which, where it was brief, smoothing leaves so many times what follows
_AGREE = 3  # samples
_SPREAD, _SPREAD_MA = 0.12, 200  # they agree within this share of their mean, or this
_RAMP_US, _RAMP_N = 3 * SECOND, 12  # else: not before this time, so many samples must agree
_LONGEST_US = 20 * SECOND
_STEP = 64  # samples looked at in one go


class SpinUp:
    """Holds back the samples of spin-up.

    Args:
        start: µs at which the motor was switched on, or at which the data began.

    Attributes:
        over: a starting current is seen to be over.
    """

    __slots__ = ("_peak", "_seen", "_start", "_t", "_y", "over")

    def __init__(self, start: int) -> None:
        self._start = start
        self._t: list[int] = []
        self._y: list[int] = []
        self._peak = 0
        self.over = False
        self._seen = _AGREE - 1  # samples looked at

    def feed(self, t: Ints, y: Ints, *, last: bool) -> tuple[Ints, Ints] | None:
        """Takes smoothed samples; returns those after spin-up once it is over, None before."""
        for i in range(0, len(t), _STEP):
            self._t += t[i : i + _STEP].tolist()
            self._y += y[i : i + _STEP].tolist()
            end = self._end()
            if end is not None:
                return self._after(end, t[i + _STEP :], y[i + _STEP :])
        return self._after(max(0, len(self._y) - _AGREE), t[:0], y[:0]) if last else None

    def _after(self, end: int, t: Ints, y: Ints) -> tuple[Ints, Ints]:
        held_t, held_y = self._t[end:], self._y[end:]
        self._t, self._y = [], []
        return np.concatenate((np.array(held_t, np.int64), t)), np.concatenate((np.array(held_y, np.int64), y))

    def _end(self) -> int | None:
        y = self._y
        for n in range(self._seen + 1, len(y) + 1):
            self._seen = n
            near = y[n - _AGREE : n]
            highest, mean = max(near), sum(near) / _AGREE
            self._peak = max(self._peak, highest)
            took = self._t[n - 1] - self._start
            if took > _LONGEST_US:
                return n - _AGREE
            if highest - min(near) > max(_SPREAD * mean, _SPREAD_MA):
                continue
            if mean <= _WELL_UNDER * self._peak:
                self.over = True
                return n - _AGREE
            if took >= _RAMP_US:
                steady = y[max(0, n - _RAMP_N) : n]
                if max(steady) - min(steady) <= max(_SPREAD * mean, 2 * _SPREAD_MA):
                    self.over = self._peak >= _SOME_PEAK * mean
                    return max(0, n - _RAMP_N)
        return None
