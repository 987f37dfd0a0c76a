"""How a run stopped: a brake's current after switching off is no load.

An electronic brake sends direct current through the motor until the blade stands: after a pause of up to half a
second, or none that can be seen, a current that hardly changes, above or below idle, until it falls to nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from collector.detect.pause import BEYOND, FAR_MORE, GONE, LEAST_US, MORE, PAUSE_US, first_of_pause
from collector.detect.smooth import middles

if TYPE_CHECKING:
    from collections.abc import Callable

Ints = NDArray[np.int64]

_LESS = 0.87  # a motor that runs takes at least this share of its idle current
_PARTLY, FADE_US = 0.95, 80_000  # of the samples before it, and so near to the end: partly without current
_FALL_US, _FALL_SIGMAS = 15_000, 2.0  # a brake's current, squared, falls as if within this time, but for noise
_BELOW, _BELOW_SIGMAS = 0.96, 3.0  # a sample is below a level if it is less than this share of it, and by so much noise
STEP_OF = 5  # samples before a level that tell from where it comes
_PART, _PART_SIGMAS = 0.1, 4.0  # what is so much off a level, and by so much noise, is none of it
_FLAT, _FLAT_SIGMAS = 0.025, 1.3  # a brake's samples scatter by this share of their mean, and so much noise
_EVEN, _EVEN_SIGMAS = 0.008, 1.6  # ... or, round a straight line, by this at most: wood is less even. The noise that n
# samples show is itself only known to a share of itself: so much over the root of n.
HIGH = 3.0  # times idle: few loads are so high, and none of these is as even as the noise of any sensor
_QUIET_LEAST = 6  # samples of standstill that tell the sensor's noise
_RESOLUTION_MA = 30.0  # what a coarse sensor's steps make of it
_SENSOR_MA = 200.0  # no sensor that serves has more noise
_SURE_US = 1_000_000  # a brake takes longer than this where no pause tells it and all of it was heard
_MEDIAN_SIGMA = 1.4826 / 1.4142 / 0.67  # noise of a sample from the median difference of medians of three
_FALLEN_US = 40_000  # what is so near to the last sample may be partly without current
_SAG, _SAG_SIGMAS = 0.025, 4.0  # a brake's current sags by no more than this share, and so much noise
_SOME_IDLE_US = 250_000  # so much of idle before a level shows where it begins
_SOME_IDLE = 0.4  # ... if it differs from idle by no more than this share of the step
_SPLIT_SIGMAS, _SPLIT = 5.0, 0.04  # the step: standard deviations, share of the level


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
    smooth: bool  # ... than the noise of a sensor that just serves makes it
    calm: bool  # hardly more uneven than the sensor's own noise
    from_us: int
    hidden: bool  # it began in a silence
    took: int  # µs from the sample before it to the last one
    rough: float  # scatter of its samples, mA, but for a few
    sensor: float  # of which the sensor's noise makes no more than this


def last_level(
    t: Ints, ma: Ints, longest_us: int, noise: float, idle_at: Callable[[int], float], quiet: float, silent_us: int
) -> LastLevel | None:
    """The longest flat stretch up to the last sample but one, None if there is none of a brake's length.

    Args:
        t: µs of the run's last samples, the last one being the last with current.
        ma: their currents, mA.
        longest_us: no brake takes longer.
        noise: standard deviation of a sample in the run, mA.
        idle_at: the idle level (mA) shortly before a time (µs).
        quiet: the sensor's noise as standstill shows it, mA: no more of it is in a brake's current.
        silent_us: how long the silence was in which the level ended; 0: it was seen to end.
    """
    n = end = len(ma) - (not silent_us)  # the last sample is partly without current; of a fast box more than one
    while not silent_us and n > 6 and (n == end or int(t[end]) - int(t[n - 1]) < FADE_US):
        if ma[n - 1] >= _PARTLY * float(np.median(ma[n - 6 : n - 1])):
            break
        n -= 1
    if n < 6:
        return None
    middle = middles(ma[:n])
    y = np.concatenate((ma[:1], middle, middle[-1:])).astype(np.float64)
    newest = min(20, max(5, n - int(np.searchsorted(t, int(t[-1]) - LEAST_US))))
    sigma = max(noise, _MEDIAN_SIGMA * float(np.median(np.abs(y[3:] - y[:-3])[-newest:])))
    back = y[::-1]
    count = np.arange(1, n + 1)
    mean = np.cumsum(back) / count
    scatter = np.sqrt(np.maximum(0.0, np.cumsum(back * back) / count - mean * mean))
    flat = scatter <= _FLAT_SIGMAS * 0.67 * sigma + _FLAT * mean
    flat[:3] = True
    start = 0 if flat.all() else n - int(flat.argmin())  # all flat: the level since a silence, or as long as idle
    begin, from_us = start, int(t[start])
    if start and from_us - int(t[start - 1]) > PAUSE_US:
        from_us = int(t[start - 1])  # it began in a silence
    if start:
        k = max(2, int(np.searchsorted(t, int(t[start]) + PAUSE_US)) - start)
        start = _sharpest(y, start, min(start + k, n - 3), min(noise, quiet))
    start = _idle_ends(t, y, begin, idle_at(from_us - PAUSE_US), noise) or start
    holes = np.flatnonzero(np.diff(t[start : start + BEYOND + 1]) > PAUSE_US)
    if len(holes):
        after = min(start + int(holes[-1]) + 1, n - 1)
        later = float(y[after:].mean())
        if abs(float(y[after - 1]) - later) > _SPLIT * later + _SPLIT_SIGMAS * noise:
            start = after  # it began in a silence: what was before is none of it
    lasted = int(t[min(n, len(t) - 1)]) - int(t[start])
    took = int(t[-1]) - int(t[max(0, start - 1)])
    if lasted + silent_us < LEAST_US or lasted > longest_us or n - start < BEYOND:
        return None
    level = float(y[start:].mean())
    there = y[start + 1 :]
    settled = y[start + min(BEYOND, 1 + (n - start) // 8) :]  # the first ones may be on their way
    sensor = min(noise, _SENSOR_MA, quiet)
    uneven = _scatter_round_a_line(settled)
    even, smooth = (
        uneven <= float(np.hypot((1 + _EVEN_SIGMAS / len(settled) ** 0.5) * 0.67 * most, _EVEN * level))
        for most in (sensor, _SENSOR_MA)
    )
    calm = float(there.std()) <= _FLAT_SIGMAS * noise + _FLAT * level
    rough = max(noise, 1.4826 / 0.67 * float(np.median(np.abs(there - np.median(there)))))
    hidden = not start or int(t[start]) - int(t[start - 1]) > PAUSE_US
    at = int(t[start])
    return LastLevel(start, at, lasted, level, sigma, even, smooth, calm, from_us, hidden, took, rough, sensor)


def _idle_ends(t: Ints, y: NDArray[np.float64], begin: int, idle: float, noise: float) -> int | None:
    """Index from an index on at which idle is left, for a level that stays; None if that is nowhere clear."""
    k = max(2, min(8, len(t) - int(np.searchsorted(t, int(t[-1]) - _SOME_IDLE_US))))
    sums = np.concatenate(([0.0], np.cumsum(y)))
    i = np.arange(max(begin, k) + 1, len(y) - BEYOND + 1)
    if not len(i):
        return None
    before, after = (sums[i] - sums[i - k]) / k, (sums[-1] - sums[i]) / (len(y) - i)
    size = np.abs(after - before)
    clear = size > np.maximum(_SPLIT_SIGMAS * noise * np.sqrt(1 / k + 1 / (len(y) - i)), _SPLIT * after)
    clear &= np.abs(before - idle) < _SOME_IDLE * size
    soon = np.minimum(i + k, len(y))
    step = np.abs((sums[soon] - sums[i]) / (soon - i) - before)
    return int(i[np.argmax(np.where(clear, step, 0.0))]) if clear.any() else None


def _scatter_round_a_line(y: NDArray[np.float64]) -> float:
    x = np.arange(len(y)) - (len(y) - 1) / 2
    slope = float((x * y).sum()) / max(1.0, float((x * x).sum()))
    return float((y - y.mean() - slope * x).std())


def _sharpest(y: NDArray[np.float64], lo: int, hi: int, noise: float) -> int:
    """Index in ``lo..hi`` from which on the mean differs most from that since ``lo``; ``lo`` where that is noise."""
    if hi <= lo:
        return lo
    sums = np.concatenate(([0.0], np.cumsum(y)))
    i = np.arange(lo + 1, hi + 1)
    before, after = i - lo, len(y) - i
    difference = (sums[-1] - sums[i]) / after - (sums[i] - sums[lo]) / before
    spread = np.sqrt(1 / after + 1 / before)
    clear = np.abs(difference) > np.maximum(_PART_SIGMAS * noise * spread, _PART * float(y[hi:].mean()))
    return int(i[np.argmax(np.where(clear, np.abs(difference) / spread, 0.0))]) if clear.any() else lo


def switched_off(
    t: Ints,
    ma: Ints,
    last: LastLevel,
    idle: float,
    idle_at: Callable[[int], float],
    usual_us: int,
    silent_us: int,
    *,
    seen: bool | None = None,
) -> tuple[int, bool] | None:
    """Index of the first sample after switching off and whether a pause tells it, if the last level was a brake's.

    Args:
        t: as for `last_level`.
        ma: as for `last_level`.
        last: the run's last level.
        idle: what the motor took at idle before it, mA.
        idle_at: as for `last_level`.
        usual_us: a brake that no pause tells takes no longer.
        silent_us: as for `last_level`.
        seen: whether the brake's current is seen at this saw's stops; None: not known.
    """
    first = max(0, int(np.searchsorted(t, last.from_us - PAUSE_US)) - BEYOND)
    k = first_of_pause(t, ma, first, last, idle, idle_at, usual_us, silent_us, clear=seen is False)
    if k is not None:
        return k, True
    longer = (last.lasted + PAUSE_US if last.hidden else last.took) > usual_us
    unsure = last.took < _SURE_US and not (last.hidden or silent_us or seen)
    if seen is False or last.lasted < LEAST_US or longer or unsure:
        return None  # ... where no brake is ever seen: an even cut
    vague = last.sigma / max(1.0, last.index - first) ** 0.5
    if last.level < _LESS * idle - vague and last.calm:  # held against another reading yet
        return last.index, False
    even = last.even or (last.smooth and last.level > HIGH * idle) or (seen and last.calm)
    if last.level > MORE * idle + 3 * vague and even and not _fades(t, ma, last, idle):
        high = last.level > FAR_MORE * idle
        return (last.index, False) if high or seen or last.lasted >= _SURE_US else None
    return None


def quiet_noise(ma: Ints) -> float:
    """The most that the sensor's noise can be (standard deviation, mA), by samples of standstill; infinite if too few.

    No reading is less than nothing: where it stands at zero half of the noise is cut off.
    """
    ma = ma[BEYOND - 1 :]  # the first ones may be partly of what was before
    if len(ma) < _QUIET_LEAST:
        return float("inf")
    off = ma - np.median(ma)
    more = (1 + (2 / len(ma)) ** 0.5) * (1.0 if ma.min() > 0 else 2**0.5)
    return max(_RESOLUTION_MA, float(more * (off * off).mean() ** 0.5))


def _fades(t: Ints, ma: Ints, last: LastLevel, idle: float) -> bool:
    """Whether the level comes down to idle by degrees, as the blade leaves the wood: a brake's falls to nothing.

    What falls so fast leaves two samples on its way at most, and these tell its squares' share of their intervals.
    """
    if ma[-1] < GONE * idle:  # nothing flowed any more
        t, ma = t[:-1], ma[:-1]
    if _comes_down(t, ma, last):
        return True
    below = ma < min(_BELOW * last.level, last.level - _BELOW_SIGMAS * last.sensor)
    left = len(ma) - 1 - int(np.argmax(~below[::-1]))  # the last sample of the level
    degrees = len(ma) - 1 - left
    if left <= last.index or degrees < 2 or bool((ma[left + 1 : -1] < idle - _BELOW_SIGMAS * last.sigma).any()):
        return False
    level = float(np.median(ma[max(last.index, left - 4) : left + 1]))
    gone = (1 - (float(ma[-2]) / level) ** 2) * (int(t[-2]) - int(t[-3]))
    there = (float(ma[-1]) / level) ** 2 * (int(t[-1]) - int(t[-2]))
    unsure = 2 * _FALL_SIGMAS * last.rough / level * (int(t[-2]) - int(t[-3]))
    return degrees > 2 or (gone > unsure and gone + there > _FALL_US + unsure)


def _comes_down(t: Ints, ma: Ints, last: LastLevel) -> bool:
    """Whether the level, but for its last sample, ends lower: a brake's current sags little, and evenly.

    Its end is held against the level, and against the straight line through what was before, so far as that is certain.
    """
    end = min(len(ma) - 1, int(np.searchsorted(t, int(t[-1]) - _FALLEN_US)))
    first = max(last.index, int(np.searchsorted(t, int(t[-1]) - PAUSE_US)))
    lower = [float(np.median(ma[end - m : end])) for m in range(3, end - first + 1)]
    sizes = np.arange(3, end - first + 1)
    if (np.array(lower) < (1 - _SAG) * last.level - _SAG_SIGMAS * last.rough / sizes**0.5).any():
        return True
    y = ma[last.index + 2 : first]
    if len(y) < 2 * BEYOND:
        return False
    ahead = len(y) / 2 + (end - first) - sizes / 2
    y = np.median(np.stack((y[:-2], y[1:-1], y[2:])), axis=0)  # a wild sample at either end would tilt the line
    x = np.arange(len(y)) - (len(y) - 1) / 2
    squares = float((x * x).sum())
    line = y.mean() + float((x * y).sum()) / squares * ahead
    unsure = last.rough * np.sqrt(1 / sizes + 1 / len(y) + ahead * ahead / squares)
    return bool((lower < line - _SAG_SIGMAS * unsure).any())


def falls_at_once(ma: Ints, last: LastLevel, idle: float) -> bool:
    """Whether a level below idle begins with a step of one sample, as a contactor makes; wood is left by degrees."""
    k = last.index
    if k < STEP_OF or float(np.median(ma[k - STEP_OF : k - 1])) < (last.level + idle) / 2:
        return False
    tolerance = _SAG * last.level + _BELOW_SIGMAS * last.rough
    j = k if ma[k] > last.level + tolerance else k - 1
    degrees = 0
    while j > 0 and last.level + tolerance < ma[j] < idle - tolerance and ma[j - 1] > ma[j] + last.rough:
        degrees, j = degrees + 1, j - 1
    return degrees < 2


def fall_time(t: Ints, ma: Ints, k: int, idle: float) -> int:
    """µs at which the current left its level, which the sample at index k no longer has (mean squares add up).

    Where the samples before it came down to ``idle`` (mA), that is the level.
    """
    if k < 2:
        return int(t[max(0, k - 1)])
    level = max(1.0, float(np.median(ma[max(0, k - 4) : k])))
    if ma[k - 1] < (1 + _PART) * idle:
        level = min(level, idle)
    share = 0.0
    for j in (k - 1, k):
        if j < k or ma[j] < level:
            share += min(1.0, float(ma[j]) / level) ** 2 * (int(t[j]) - int(t[j - 1]))
    return min(int(t[k - 2]) + round(share), int(t[k]))
