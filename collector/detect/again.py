"""A motor that was switched off and on again while nothing was heard: a starting current follows the silence."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from collector.facts import SECOND

Ints = NDArray[np.int64]

LOOK = 4  # samples after the silence that look like a start
AGAIN_US = 5 * SECOND  # nobody switches a saw off and on again sooner (common practice, no source)
_STARTING, _MORE = 0.5, 1.15  # of the run's starting current; times what flowed before the silence
_FALLEN, _GOES_ON_US, _GOES_ON = 0.25, 300_000, 3  # it falls to so much, for so long: no load is so many times idle


def starts_again(t: Ints, ma: Ints, before: Ints, inrush_ma: int, runs_ma: int, longest_us: int) -> bool | None:
    """Whether what follows a silence is a starting current; None: more samples will tell.

    It falls, and goes on: what a cut falls to is a greater share of it, and a brake's current falls to nothing. What is
    said depends on no more samples than decided it.

    Args:
        t: µs of the samples after the silence.
        ma: their currents, mA.
        before: the last samples before it, `LOOK` of them, mA.
        inrush_ma: the starting current of the run, mA.
        runs_ma: with so much a motor runs, mA.
        longest_us: no start takes longer.
    """
    if ma[:LOOK].min() < runs_ma:
        return False
    if len(ma) < LOOK:
        return None
    high, was = (float(np.partition(y, -2)[-2]) for y in (ma[:LOOK], before))  # one may be a wild one
    if high < max(_STARTING * inrush_ma, _MORE * was):
        return False
    limit = int(np.searchsorted(t, int(t[0]) + longest_us, side="right"))
    edges = [*np.flatnonzero(ma[:limit] >= _FALLEN * high).tolist(), limit]
    for last, end in pairwise(edges):
        k = last + 1  # from here to the end of the stretch it has fallen
        if end - k >= _GOES_ON and int(t[end - 1]) - int(t[k]) >= _GOES_ON_US:
            n = max(_GOES_ON, int(np.searchsorted(t[k:end], int(t[k]) + _GOES_ON_US)) + 1)
            return bool(ma[k : k + n].min() >= runs_ma)
    return False if limit < len(t) else None
