"""How a run stopped: a brake's current after switching off is no load.

An electronic brake sends direct current through the motor until the blade stands: after a pause of up to half a
second, or none that can be seen, a current that hardly changes, above or below idle, until it falls to nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

_LESS = 0.87  # a motor that runs takes at least this share of its idle current
_MORE = 1.06  # a level that is more than idle
_PARTLY, _FADE_US = 0.95, 80_000  # of the samples before it, and so near to the end: partly without current
_BELOW, _BELOW_SIGMAS = 0.96, 3.0  # a sample is below a level if it is less than this share of it, and by so much noise
_FALL_US = 15_000  # a brake's current, squared, falls to nothing as if within this time
_BEYOND = 3  # so many samples after the place where the last level is seen to begin may still be before it
_PAUSE, _PAUSE_BRAKE = 0.4, 0.6  # with less than this share of idle, and of the brake's level, it is switched off
_FLAT, _FLAT_SIGMAS = 0.025, 1.3  # a brake's samples scatter by this share of their mean, and so much noise
_EVEN, _EVEN_SIGMAS = 0.008, 1.3  # ... or, round a straight line, by no more than this: wood is less even
_SENSOR_MA = 200.0  # no sensor that serves has more noise
_FAR_MORE = 1.8  # a level this many times idle is a brake's even when it is short
PAUSE_US = 600_000  # a brake follows switching off within this time; what was before is compared with it
_LEAST_US = 600_000  # a brake takes longer than this,
_SURE_US = 1_000_000  # ... and longer than this where nothing but its flatness tells it from a cut
_MEDIAN_SIGMA = 1.4826 / 1.4142 / 0.67  # noise of a sample from the median difference of medians of three


@dataclass(frozen=True, slots=True)
class LastLevel:
    """The flat level at the end of a run: first index, its time and length (µs), mean and the samples' noise (mA).

    ``from_us`` is the earliest that it could have begun.
    """

    index: int
    start: int
    lasted: int
    level: float
    sigma: float
    even: bool  # no more uneven than the sensor's noise makes it: a cut is
    calm: bool  # hardly more uneven than the sensor's own noise
    from_us: int


def last_level(t: Ints, ma: Ints, longest_us: int, noise: float) -> LastLevel | None:
    """The longest flat stretch up to the last sample but one, None if there is none of a brake's length.

    Args:
        t: µs of the run's last samples, the last one being the last with current.
        ma: their currents, mA.
        longest_us: no brake takes longer.
        noise: standard deviation of a sample in the run, mA.
    """
    n = end = len(ma) - 1  # the last sample is partly without current; of a fast box more than one
    while n > 6 and (n == end or int(t[end]) - int(t[n - 1]) < _FADE_US):
        if ma[n - 1] >= _PARTLY * float(np.median(ma[n - 6 : n - 1])):
            break
        n -= 1
    if n < 6:
        return None
    a, b, c = ma[: n - 1], ma[1:n], ma[2 : n + 1]
    middle = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    y = np.concatenate((ma[:1], middle))[:n].astype(np.float64)
    sigma = max(noise, _MEDIAN_SIGMA * float(np.median(np.abs(y[3:] - y[:-3])[-20:])))
    back = y[::-1]
    count = np.arange(1, n + 1)
    mean = np.cumsum(back) / count
    scatter = np.sqrt(np.maximum(0.0, np.cumsum(back * back) / count - mean * mean))
    flat = scatter <= _FLAT_SIGMAS * 0.67 * sigma + _FLAT * mean
    flat[:3] = True
    start = 0 if flat.all() else n - int(flat.argmin())  # all flat: the level since a silence, or as long as idle
    from_us = int(t[start])
    if start:
        k = max(2, int(np.searchsorted(t, int(t[start]) + PAUSE_US)) - start)
        start = _sharpest(y, start, min(start + k, n - 3), k)
    holes = np.flatnonzero(np.diff(t[start : start + _BEYOND + 1]) > PAUSE_US)
    if len(holes):  # it began in a silence: what was before is none of it
        start += int(holes[-1]) + 1
    lasted = int(t[n]) - int(t[start])
    if not _LEAST_US <= lasted <= longest_us or n - start < _BEYOND:
        return None
    level = float(y[start:].mean())
    there = y[start + 1 :]
    even = _scatter_round_a_line(there) <= _EVEN_SIGMAS * 0.67 * min(noise, _SENSOR_MA) + _EVEN * level
    calm = float(there.std()) <= _FLAT_SIGMAS * noise + _FLAT * level
    return LastLevel(start, int(t[start]), lasted, level, sigma, even, calm, from_us)


def _scatter_round_a_line(y: NDArray[np.float64]) -> float:
    x = np.arange(len(y)) - (len(y) - 1) / 2
    slope = float((x * y).sum()) / max(1.0, float((x * x).sum()))
    return float((y - y.mean() - slope * x).std())


def _sharpest(y: NDArray[np.float64], lo: int, hi: int, k: int) -> int:
    """Index in ``lo..hi`` from which on the mean differs most from the k samples before."""
    if hi <= lo:
        return lo
    sums = np.concatenate(([0.0], np.cumsum(y)))
    i = np.arange(max(lo, 1), hi + 1)
    before = np.minimum(k, i)
    after = len(y) - i
    difference = (sums[-1] - sums[i]) / after - (sums[i] - sums[i - before]) / before
    return int(i[np.argmax(np.abs(difference) / np.sqrt(1 / after + 1 / before))])


def switched_off(t: Ints, ma: Ints, last: LastLevel, idle: float, usual_us: int) -> int | None:
    """Index of the first sample after switching off, if the last level was a brake's; else None.

    Args:
        t: as for `last_level`.
        ma: as for `last_level`.
        last: the run's last level.
        idle: what the motor took at idle before it, mA.
        usual_us: a brake that no pause tells takes no longer.
    """
    clear = 3 * last.sigma
    first = int(np.searchsorted(t, last.from_us - PAUSE_US))
    paused = np.flatnonzero(
        ma[first : last.index + _BEYOND] < min(_PAUSE * idle, _PAUSE_BRAKE * last.level) - last.sigma
    )
    margin = clear / max(1.0, last.index - first) ** 0.5
    if len(paused) and abs(last.level - idle) > (_MORE - 1) * idle + margin:
        alone = np.flatnonzero(np.diff(paused) > 1)  # wild samples may stand before the pause
        return first + int(paused[alone[-1] + 1 if len(alone) else 0])
    if last.lasted > usual_us:
        return None
    if last.level < _LESS * idle - margin and last.calm:
        return last.index
    if last.level > _MORE * idle + margin and last.even and not _fades(t, ma, last, idle):
        high = last.level > _FAR_MORE * idle
        return last.index if last.lasted >= (_LEAST_US if high else _SURE_US) else None
    return None


def _fades(t: Ints, ma: Ints, last: LastLevel, idle: float) -> bool:
    """Whether the level comes down to idle by degrees, as the blade leaves the wood: a brake's falls to nothing.

    What falls so fast leaves two samples on its way at most, and these tell its squares' share of their intervals.
    """
    if ma[-1] < _PAUSE * idle:  # nothing flowed any more
        t, ma = t[:-1], ma[:-1]
    below = ma < min(_BELOW * last.level, last.level - _BELOW_SIGMAS * last.sigma)
    left = len(ma) - 1 - int(np.argmax(~below[::-1]))  # the last sample of the level
    degrees = len(ma) - 1 - left
    if left <= last.index or degrees < 2 or bool((ma[left + 1 : -1] < idle - _BELOW_SIGMAS * last.sigma).any()):
        return False
    level = float(np.median(ma[max(last.index, left - 4) : left + 1]))
    gone = (1 - (float(ma[-2]) / level) ** 2) * (int(t[-2]) - int(t[-3]))
    there = (float(ma[-1]) / level) ** 2 * (int(t[-1]) - int(t[-2]))
    return degrees > 2 or max(gone, there) > _FALL_US


def fall_time(t: Ints, ma: Ints, k: int) -> int:
    """µs at which the current left its level, which the sample at index k no longer has (mean squares add up)."""
    if k < 2:
        return int(t[max(0, k - 1)])
    level = max(1.0, float(np.median(ma[max(0, k - 4) : k])))
    share = 0.0
    for j in (k - 1, k):
        if j < k or ma[j] < level:
            share += min(1.0, float(ma[j]) / level) ** 2 * (int(t[j]) - int(t[j - 1]))
    return min(int(t[k - 2]) + round(share), int(t[k]))
