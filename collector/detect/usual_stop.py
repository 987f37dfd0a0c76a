"""Where a motor was switched off whose brake is known to be seen: sought where its brake's current usually begins.

One stop by itself may tell too little: a brake's current as high as idle, a pause that is a part of one sample, a
current lost in noise. A saw at whose other stops the brake was seen has braked here too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from collector.detect.pause import BEYOND, PAUSE_US, lacking
from collector.detect.stop import FADE_US, HIGH, fall_time

if TYPE_CHECKING:
    from collections.abc import Callable

Ints = NDArray[np.int64]

_SHORTER, _LONGER = 0.8, 1.2  # times the shortest and the longest that was seen
_SOON_US = 300_000  # so much of a brake's current tells it, where a silence hides its end
_FLAT, _FLAT_SIGMAS = 0.03, 1.5  # its samples scatter by this share of their mean, and so much noise
_SAG = 0.1  # ... and it sags by no more
_EVEN = 0.008  # ... where a cut may look like it: wood is less even
_DIP, _DIP_SIGMAS = 0.9, 3.0  # a sample with some of a pause in it has less than this share of a level, but for noise
_LACKS_US = 40_000  # a pause is seen by no less
_AROUND = 5  # samples that tell a level
_STEP, _STEP_SIGMAS = 0.04, 5.0  # a step is no smaller: share of the level, standard deviations
_MEDIAN_SHARE = 0.67  # of a sample's noise is left in a median of three


def usual_stop(
    t: Ints,
    ma: Ints,
    since: int,
    brake_us: tuple[int, int],
    noise: float,
    idle_at: Callable[[int], float],
    silent_us: int,
) -> int | None:
    """When the motor was switched off, µs; None where nothing tells it.

    Args:
        t: µs of the run's last samples, the last one being the last with current.
        ma: their currents, mA.
        since: µs from which on they are all.
        brake_us: the shortest and the longest that this saw's brake was seen, µs.
        noise: standard deviation of a sample, mA.
        idle_at: the idle level (mA) shortly before a time (µs).
        silent_us: how long the silence was in which the current ended; 0: it was seen to end.
    """
    end, n = int(t[-1]), len(ma)
    while not silent_us and n > BEYOND and end - int(t[n - 1]) < FADE_US:
        n -= 1  # the last sample is partly without current, and more of a fast box
    y = _smooth(ma[:n])
    latest = end - (_SOON_US if silent_us else round(_SHORTER * brake_us[0]))
    first = max(_AROUND, int(np.searchsorted(t, end - round(_LONGER * brake_us[1]) - PAUSE_US)))
    last = min(int(np.searchsorted(t, latest, side="right")), len(y) - BEYOND)
    dips = [d for d in _dips(t, ma, y, first, last, noise) if _flat(y[d[1] + 1 :], noise)]
    if silent_us:  # it may be a wild sample of a cut that is still going on
        dips = [d for d in dips if _turns(y, d, noise)]
    if dips:
        k = max(dips, key=lambda d: d[2])[0]
        return fall_time(t, ma, k, idle_at(int(t[k - 1])))
    steps = [(z, i) for i in range(first, last) if (z := _step(y, i, noise)) and _flat(y[i + 1 :], noise)]
    if steps:
        k = max(steps)[1]
        idle, there = idle_at(int(t[k - 1])), y[k + 1 :][:_AROUND]
        if silent_us:  # a cut may have begun there, and its end and the brake's be unheard
            high = there.mean() > HIGH * idle and _flat(y[k + 1 :], noise, _EVEN)
            return int(t[k - 1]) if high else None
        return int(t[k - 1]) if _another(ma, there, idle, noise) else None
    return None if silent_us else _in_silence(t, ma, y, since, brake_us, noise, idle_at)


def _another(ma: Ints, y: NDArray[np.float64], idle: float, noise: float) -> bool:
    """Whether a level is not idle, and falls at its end at once; a blade that leaves the wood does so by degrees."""
    level = float(y.mean())
    return abs(level - idle) > _STEP * level and ma[-2] >= _DIP * level - _DIP_SIGMAS * noise


def _in_silence(
    t: Ints,
    ma: Ints,
    y: NDArray[np.float64],
    since: int,
    brake_us: tuple[int, int],
    noise: float,
    idle_at: Callable[[int], float],
) -> int | None:
    """When it was switched off, if that was in the last silence: as long before the end as the brake usually takes."""
    holes = np.flatnonzero(np.diff(t[: len(y)], prepend=since) > PAUSE_US)
    if not len(holes):
        return None
    k, end = int(holes[-1]), int(t[-1])
    before, after = int(t[k - 1]) if k else since, int(t[k])
    short, long = round(_SHORTER * brake_us[0]), round(_LONGER * brake_us[1])
    there, level = y[k:], float(y[k:].mean())
    if end - before < short or end - after > long or not _flat(there, noise):
        return None
    goes_on = k > 0 and abs(float(np.median(y[max(0, k - _AROUND) : k])) - level) < _STEP * level
    if goes_on or not _another(ma, there, idle_at(before), noise):
        return None
    return min(max(end - sum(brake_us) // 2, before), after)


def _smooth(ma: Ints) -> NDArray[np.float64]:
    """Median of three."""
    if len(ma) < BEYOND:
        return ma.astype(np.float64)
    a, b, c = ma[:-2], ma[1:-1], ma[2:]
    middle = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    return np.concatenate((middle[:1], middle, middle[-1:])).astype(np.float64)


def _turns(y: NDArray[np.float64], dip: tuple[int, int, int], noise: float) -> bool:
    """Whether what flows after a pause differs from what flowed before it."""
    i, j, _ = dip
    before, after = float(np.median(y[i - _AROUND : i])), float(np.median(y[j + 1 :]))
    return bool(abs(after - before) > _STEP * after + _DIP_SIGMAS * noise / _AROUND**0.5)


def _flat(y: NDArray[np.float64], noise: float, share: float = _FLAT) -> bool:
    """Whether the samples lie round a straight line as a brake's do."""
    if len(y) < BEYOND:
        return False
    x = np.arange(len(y)) - (len(y) - 1) / 2
    slope = float((x * y).sum()) / float((x * x).sum())
    mean = float(y.mean())
    if abs(slope) * len(y) > _SAG * mean + _DIP_SIGMAS * noise:
        return False
    return float((y - mean - slope * x).std()) <= _FLAT_SIGMAS * _MEDIAN_SHARE * noise + share * mean


def _dips(t: Ints, ma: Ints, y: NDArray[np.float64], first: int, last: int, noise: float) -> list[tuple[int, int, int]]:
    """Stretches with less than flows before and after, as in a pause: first index, one after the last, µs lacking."""
    found: list[tuple[int, int, int]] = []
    i = first
    while i < last:
        before = float(np.median(ma[i - _AROUND : i]))
        after = float(np.median(ma[i + 1 :][: 2 * _AROUND])) if i + 1 < len(ma) else before
        low = min(before, after)
        if ma[i] >= min(_DIP * low, low - _DIP_SIGMAS * noise):
            i += 1
            continue
        j = i + 1
        while j < len(y) - BEYOND and int(t[j]) - int(t[i]) < PAUSE_US:
            rest = float(np.median(y[j + 1 :]))
            if ma[j] >= min(_DIP * rest, rest - _DIP_SIGMAS * noise):
                break
            j += 1
        level = max(1.0, min(before, float(np.median(y[j:]))))
        lacks = lacking(t[i - 1 : j], ma[i:j], level)
        if lacks >= _LACKS_US:
            found.append((i, j, lacks))
        i = j
    return found


def _step(y: NDArray[np.float64], i: int, noise: float) -> float:
    """How sharp a step at an index is, in standard deviations; 0 where it is none."""
    before, after = float(y[max(0, i - _AROUND - 1) : i - 1].mean()), float(y[i + 1 :][:_AROUND].mean())
    size = abs(after - before)
    sharp = size / max(1.0, noise * (2 / _AROUND) ** 0.5)
    return sharp if sharp > _STEP_SIGMAS and size > _STEP * after else 0.0
