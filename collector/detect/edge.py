"""When a step happened, finer than the samples: each sample is the RMS of the interval that it ends."""

from __future__ import annotations

import numpy as np

from collector.detect.window import Window

_CLEAR = 4.0  # a step of so many standard deviations of one sample is clear enough to split a sample


def edge_time(window: Window, place: int, width: int, before: float, after: float, sigma: float) -> int:
    """µs of the change from level ``before`` to level ``after`` (mA) near ``place``.

    The most probable place within ``width`` samples is where the cumulative sum of deviations from the middle of
    both levels turns (Page 1954); a clear step is then placed inside the interval by how much of its square each
    of the two samples around it carries, since mean squares, not currents, add up over time.
    """
    lo = max(place - width, window.base + 2)
    hi = min(place + width, window.count)
    i = lo - window.base
    y = window.y[i : hi - window.base]
    middle = (before + after) / 2
    walk = np.cumsum(y - middle)
    turn = int(walk.argmin() if after > before else walk.argmax())
    at = lo + turn + 1
    total = walk[turn]
    if (total >= 0) if after > before else (total <= 0):
        at = lo
    at = min(max(at, window.base + 2), window.count - 1)
    t = window.t
    k = at - window.base
    left, right = int(t[k - 1]), int(t[k])
    interval = right - left
    usual = int(t[k - 1]) - int(t[k - 2])
    if interval > 3 * max(usual, 1):
        return (left + right) // 2  # in a hole: nobody knows better
    if abs(after - before) < _CLEAR * sigma:
        return left
    span = after * after - before * before
    share = sum(min(1.0, max(0.0, (float(v) ** 2 - before * before) / span)) for v in window.y[k - 1 : k + 1])
    return right - round(share * interval)
