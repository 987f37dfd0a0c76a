"""A brake's current too small to be a motor's: after a run's current fell, a little flows on and then ends.

It is told by two steps that stand out from the noise: down to it, and from it down to nothing.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from collector.detect.pause import LEAST_US, PAUSE_US

Ints = NDArray[np.int64]

COAST_US = 1_500_000  # a brake's current begins within this time of switching off
_LEAST = 3  # samples of it, and of standstill after it
_MORE_MA, _SIGMAS = 150.0, 5.0  # it is more than standstill by this, and by so many standard errors
_FELL = 1.5  # what flowed before was so many times as much


class SmallBrake(NamedTuple):
    """Whether it ``waits`` for more samples, and ``until`` when (µs) a brake's current flowed; None: there was none."""

    waits: bool
    until: int | None


_NONE = SmallBrake(waits=False, until=None)


def small_brake(t: Ints, ma: Ints, fell_at: int, before: float, still: Ints, longest_us: int) -> SmallBrake:
    """Whether a small brake followed, and until when.

    What is said depends on no more samples than decided it.

    Args:
        t: µs of the samples since the current fell.
        ma: their currents, mA.
        fell_at: µs at which it fell.
        before: the current before that, mA.
        still: samples of standstill from before the run, mA.
        longest_us: no brake takes longer.
    """
    first, soon = (int(np.searchsorted(t, fell_at + us, side="right")) for us in (PAUSE_US, COAST_US))
    if not len(still) or soon - first < _LEAST:
        return _NONE
    level, nothing = float(np.median(ma[first:soon])), float(np.median(still))
    if level - nothing <= _MORE_MA or before < _FELL * level:
        return _NONE
    latest = int(np.searchsorted(t, fell_at + longest_us, side="right"))
    low = ma[first:latest] < (level + nothing) / 2
    ends = np.flatnonzero(low[:-1] & low[1:])
    if not len(ends):
        return SmallBrake(waits=latest == len(t), until=None)
    end = first + int(ends[0])
    seen_us = int(t[end]) + COAST_US
    if int(t[-1]) <= seen_us:
        return SmallBrake(waits=True, until=None)
    flows, stands = ma[first:end], ma[end : int(np.searchsorted(t, seen_us, side="right"))]
    until = int(t[end - 1])
    if min(len(flows), len(stands)) < _LEAST or until - fell_at < LEAST_US:
        return _NONE
    scatter = (flows.var() * len(flows) + stands.var() * len(stands)) / (len(flows) + len(stands) - 2)
    unsure = float(scatter * (1 / len(flows) + 1 / len(stands))) ** 0.5  # two samples of the same noise
    more = float(flows.mean() - stands.mean())
    return SmallBrake(waits=False, until=until) if more > max(_MORE_MA, _SIGMAS * unsure) else _NONE
