"""From raw samples to an even-tempered series: wild samples out, fast boxes slowed to about ten samples a second."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

_FIRST = 16  # samples from which the rate is taken
_RATE = 10.0  # samples a second that the rest of the detector is made for
_INFLATE = {1: 2.58, 2: 1.8}  # see `StepFinder`: medians of three, and of means of two, correlate neighbours
_INFLATE_MORE = 1.3
_FEW = 40  # samples
_FAR_OFF, _FAR_OFF_MA = 0.3, 400  # share of the level, mA


class Smooth:
    """Median of three, then means of as many samples as bring the rate near ten a second.

    The median removes single wild samples and keeps steps in place. Before the rate is known nothing comes out.
    """

    __slots__ = ("_group", "_ma", "_started", "_t", "every", "rate")

    def __init__(self) -> None:
        self._t: Ints = np.empty(0, np.int64)
        self._ma: Ints = np.empty(0, np.int64)
        self._group: tuple[Ints, Ints] = (self._t, self._ma)
        self._started = False
        self.rate = 0.0  # samples a second of what comes out; 0: not known yet
        self.every = 1  # samples in one mean

    @property
    def inflate(self) -> float:
        """Noise inflation for `StepFinder`."""
        return _INFLATE.get(self.every, _INFLATE_MORE)

    def feed(self, t: Ints, ma: Ints, *, last: bool = False) -> tuple[Ints, Ints]:
        """Takes samples (µs, mA), returns the smoothed ones that are certain; with ``last`` all of them."""
        if len(self._t):
            t, ma = np.concatenate((self._t, t)), np.concatenate((self._ma, ma))
        if not self.rate and not self._measure(t, last=last):
            self._t, self._ma = t, ma
            return t[:0], ma[:0]
        # t[0] is the neighbour before the first sample to come out, but for the very first
        if not self._started and len(t):
            t, ma = np.concatenate((t[:1], t[:1], t)), np.concatenate((ma[:1], ma[:1], ma))
            self._started = True
        if last and len(t):
            t, ma = np.concatenate((t, t[-1:], t[-1:])), np.concatenate((ma, ma[-1:], ma[-1:]))
        if len(t) < 5:
            self._t, self._ma = t, ma
            return t[:0], ma[:0]
        middle = self._middles(ma) if len(ma) > _FEW else np.array(_few_middles(ma.tolist()), np.int64)
        self._t, self._ma = t[-4:], ma[-4:]
        return self._grouped(t[2:-2], middle, last=last)

    def _middles(self, ma: Ints) -> Ints:
        """Medians of three, but of five where one is itself far off its neighbours: two wild samples met."""
        middle = middles(ma[1:-1])
        around = np.maximum(np.abs(middle - ma[:-4]), np.abs(middle - ma[4:]))
        for i in np.flatnonzero(around > _FAR_OFF * middle + _FAR_OFF_MA).tolist():
            five = sorted(ma[i : i + 5].tolist())
            if abs(int(middle[i]) - five[2]) > _FAR_OFF * five[2] + _FAR_OFF_MA:
                middle[i] = five[2]
        return middle

    def _measure(self, t: Ints, *, last: bool) -> bool:
        if len(t) < _FIRST and not (last and len(t) > 1):
            return False
        few = t[:_FIRST].tolist()
        spans = sorted(b - a for a, b in pairwise(few))
        interval = (spans[(len(spans) - 1) // 2] + spans[len(spans) // 2]) / 2e6
        rate = 1 / max(interval, 0.005)
        self.every = max(1, round(rate / _RATE))
        self.rate = rate / self.every
        return True

    def _grouped(self, t: Ints, y: Ints, *, last: bool) -> tuple[Ints, Ints]:
        k = self.every
        if k == 1:
            return t, y
        t, y = np.concatenate((self._group[0], t)), np.concatenate((self._group[1], y))
        n = len(t) // k * k
        self._group = (t[n:], y[n:])
        out_t, out_y = t[k - 1 : n : k], y[:n].reshape(-1, k).sum(axis=1) // k
        if last and len(t) > n:
            out_t = np.append(out_t, t[-1])
            out_y = np.append(out_y, int(y[n:].sum()) // (len(t) - n))
        return out_t, out_y


def middles(ma: Ints) -> Ints:
    """The medians of three neighbours: two fewer than there are samples."""
    a, b, c = ma[:-2], ma[1:-1], ma[2:]
    return np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))


def _few_middles(ma: list[int]) -> list[int]:
    """What `Smooth._middles` does, for few samples, where plain numbers are faster than arrays."""
    out = []
    for i in range(2, len(ma) - 2):
        low, high, c = ma[i - 1], ma[i], ma[i + 1]
        if low > high:
            low, high = high, low
        middle = low if c < low else high if c > high else c
        near = _FAR_OFF * middle + _FAR_OFF_MA
        if not (-near <= middle - ma[i - 2] <= near and -near <= middle - ma[i + 2] <= near):
            five = sorted(ma[i - 2 : i + 3])[2]
            if abs(middle - five) > _FAR_OFF * five + _FAR_OFF_MA:
                middle = five
        out.append(middle)
    return out
