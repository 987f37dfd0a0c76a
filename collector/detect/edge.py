"""When a step happened, finer than the samples: each sample is the RMS of the interval that it ends."""

from __future__ import annotations

from itertools import accumulate
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collector.detect.window import Window

_CLEAR = 4.0  # a step of so many standard deviations of one sample is clear enough to split a sample


def edge_time(window: Window, place: int, width: int, before: float, after: float, sigma: float) -> int:
    """µs of the change from level ``before`` to level ``after`` (mA) near ``place``.

    The most probable place within ``width`` samples is where the cumulative sum of deviations from the middle of
    both levels turns (Page 1954); a clear step is then placed inside the interval by how much of its square each
    of the two samples around it carries, since mean squares, not currents, add up over time.
    """
    base = window.base
    lo = max(place - width, base + 2)
    hi = min(place + width, window.count)
    y = window.y[lo - 2 - base : hi + 1 - base].tolist()  # a handful of samples: plain numbers are faster than arrays
    middle = (before + after) / 2
    near = y[2 : hi - lo + 2]
    walk = list(accumulate([v - middle for v in near] if after > before else [middle - v for v in near]))
    least = min(walk, default=0.0)
    at = lo + 1 + walk.index(least) if least < 0 else lo
    at = min(at, window.count - 1)
    times: list[int] = window.t[at - 2 - base : at + 1 - base].tolist()
    oldest, left, right = times
    interval = right - left
    if interval > 3 * max(left - oldest, 1):
        return (left + right) // 2  # in a hole: nobody knows better
    if abs(after - before) < _CLEAR * sigma:
        return left
    span = after * after - before * before
    share = 0.0
    for k in (at - 1, at):
        share += min(1.0, max(0.0, (y[k - lo + 2] ** 2 - before * before) / span))
    return right - round(share * interval)
