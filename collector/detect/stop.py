"""How a run stopped: a brake's current after switching off is no load.

An electronic brake sends direct current through the motor until the blade stands: after a pause of up to half a
second, or none that can be seen, a current that hardly changes, above or below idle, until it falls to nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Callable

Ints = NDArray[np.int64]

_LESS = 0.87  # a motor that runs takes at least this share of its idle current
_MORE = 1.06  # a level that is more than idle
_PARTLY, _FADE_US = 0.95, 80_000  # of the samples before it, and so near to the end: partly without current
_BELOW, _BELOW_SIGMAS = 0.96, 3.0  # a sample is below a level if it is less than this share of it, and by so much noise
_FALL_US, _FALL_SIGMAS = 15_000, 2.0  # a brake's current, squared, falls as if within this time, but for noise
_BEYOND = 3  # so many samples after the place where the last level is seen to begin may still be before it
_PAUSE, _PAUSE_BRAKE = 0.4, 0.6  # with less than this share of idle, and of the brake's level, it is switched off
_PAUSE_LEAST_US = 50_000  # a pause takes longer than this
_NO_WILD = 3  # so many samples in a row are not wild
_DIP, _DIP_SIGMAS = 0.9, 4.0  # a sample with some of a pause in it has less than this share of a level, but for noise
_DIP_LEAST = 0.25  # a single one with less than this may be a wild one
_FLAT, _FLAT_SIGMAS = 0.025, 1.3  # a brake's samples scatter by this share of their mean, and so much noise
_EVEN, _EVEN_SIGMAS = 0.008, 1.3  # ... or, round a straight line, by no more than this: wood is less even
_SENSOR_MA = 200.0  # no sensor that serves has more noise
_FAR_MORE = 1.8  # a level this many times idle is a brake's even when it is short
PAUSE_US = 600_000  # a brake follows switching off within this time; what was before is compared with it
_LEAST_US = 600_000  # a brake takes longer than this,
_SURE_US = 1_000_000  # ... and longer than this where nothing but its flatness tells it from a cut
_MEDIAN_SIGMA = 1.4826 / 1.4142 / 0.67  # noise of a sample from the median difference of medians of three
_STEP_OF = 5  # samples before a level that tell from where it comes
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
    calm: bool  # hardly more uneven than the sensor's own noise
    from_us: int
    hidden: bool  # it began in a silence
    took: int  # µs from the sample before it to the last one
    rough: float  # scatter of its samples, mA, but for a few


def last_level(t: Ints, ma: Ints, longest_us: int, noise: float, idle_at: Callable[[int], float]) -> LastLevel | None:
    """The longest flat stretch up to the last sample but one, None if there is none of a brake's length.

    Args:
        t: µs of the run's last samples, the last one being the last with current.
        ma: their currents, mA.
        longest_us: no brake takes longer.
        noise: standard deviation of a sample in the run, mA.
        idle_at: the idle level (mA) shortly before a time (µs).
    """
    n = end = len(ma) - 1  # the last sample is partly without current; of a fast box more than one
    while n > 6 and (n == end or int(t[end]) - int(t[n - 1]) < _FADE_US):
        if ma[n - 1] >= _PARTLY * float(np.median(ma[n - 6 : n - 1])):
            break
        n -= 1
    if n < 6:
        return None
    a, b, c = ma[: n - 2], ma[1 : n - 1], ma[2:n]
    middle = np.maximum(np.minimum(a, b), np.minimum(np.maximum(a, b), c))
    y = np.concatenate((ma[:1], middle, middle[-1:])).astype(np.float64)
    sigma = max(noise, _MEDIAN_SIGMA * float(np.median(np.abs(y[3:] - y[:-3])[-20:])))
    back = y[::-1]
    count = np.arange(1, n + 1)
    mean = np.cumsum(back) / count
    scatter = np.sqrt(np.maximum(0.0, np.cumsum(back * back) / count - mean * mean))
    flat = scatter <= _FLAT_SIGMAS * 0.67 * sigma + _FLAT * mean
    flat[:3] = True
    start = 0 if flat.all() else n - int(flat.argmin())  # all flat: the level since a silence, or as long as idle
    begin, from_us = start, int(t[start])
    if start:
        k = max(2, int(np.searchsorted(t, int(t[start]) + PAUSE_US)) - start)
        start = _sharpest(y, start, min(start + k, n - 3), k)
    start = _idle_ends(t, y, begin, idle_at(from_us), noise) or start
    holes = np.flatnonzero(np.diff(t[start : start + _BEYOND + 1]) > PAUSE_US)
    if len(holes):
        after = min(start + int(holes[-1]) + 1, n - 1)
        later = float(y[after:].mean())
        if abs(float(y[after - 1]) - later) > _SPLIT * later + _SPLIT_SIGMAS * noise:
            start = after  # it began in a silence: what was before is none of it
    lasted = int(t[n]) - int(t[start])
    took = int(t[-1]) - int(t[max(0, start - 1)])
    if not _LEAST_US <= lasted <= longest_us or n - start < _BEYOND:
        return None
    level = float(y[start:].mean())
    there = y[start + 1 :]
    even = _scatter_round_a_line(there) <= _EVEN_SIGMAS * 0.67 * min(noise, _SENSOR_MA) + _EVEN * level
    calm = float(there.std()) <= _FLAT_SIGMAS * noise + _FLAT * level
    rough = max(noise, 1.4826 / 0.67 * float(np.median(np.abs(there - np.median(there)))))
    hidden = not start or int(t[start]) - int(t[start - 1]) > PAUSE_US
    return LastLevel(start, int(t[start]), lasted, level, sigma, even, calm, from_us, hidden, took, rough)


def _idle_ends(t: Ints, y: NDArray[np.float64], begin: int, idle: float, noise: float) -> int | None:
    """Index from an index on at which idle is left, for a level that stays; None if that is nowhere clear."""
    k = max(2, min(8, len(t) - int(np.searchsorted(t, int(t[-1]) - _SOME_IDLE_US))))
    sums = np.concatenate(([0.0], np.cumsum(y)))
    i = np.arange(max(begin, k) + 1, len(y) - _BEYOND + 1)
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


def switched_off(t: Ints, ma: Ints, last: LastLevel, idle: float, usual_us: int) -> tuple[int, bool] | None:
    """Index of the first sample after switching off and whether a pause tells it, if the last level was a brake's.

    Args:
        t: as for `last_level`.
        ma: as for `last_level`.
        last: the run's last level.
        idle: what the motor took at idle before it, mA.
        usual_us: a brake that no pause tells takes no longer.
    """
    clear = 3 * last.sigma
    first = int(np.searchsorted(t, last.from_us - PAUSE_US))
    margin = clear / max(1.0, last.index - first) ** 0.5
    k = _pause(t, ma, first, last, idle, usual_us, differs=abs(last.level - idle) > (_MORE - 1) * idle + margin)
    if k is not None:
        return k, True
    if (last.lasted + PAUSE_US if last.hidden else last.took) > usual_us:
        return None
    if last.level < _LESS * idle - margin and last.calm:
        return last.index, False
    if last.level > _MORE * idle + margin and last.even and not _fades(t, ma, last, idle):
        high = last.level > _FAR_MORE * idle
        return (last.index, False) if last.lasted >= (_LEAST_US if high else _SURE_US) else None
    return None


def _pause(t: Ints, ma: Ints, first: int, last: LastLevel, idle: float, usual_us: int, *, differs: bool) -> int | None:
    """Index of the first sample of the pause before a last level, None if none is seen.

    In a wild sample nothing flows either: a pause lasts longer than one of a fast box, and the longest is it. A slow
    box's sample has only a part of it: less than a brake's level that is less than idle.
    """
    until = last.index + _BEYOND
    gone = min(_PAUSE * idle, _PAUSE_BRAKE * last.level) - min(last.sigma, last.rough)
    fast = int(t[last.index]) - int(t[last.index - 1]) < _PAUSE_LEAST_US if last.index else False
    groups = _groups(ma[first:until] < gone, apart=int(fast))  # one sample of many may be a noisy one
    long = [g for g in groups if int(t[first + g[1] - 1]) - int(t[max(0, first + g[0] - 1)]) >= _PAUSE_LEAST_US]
    if long and (differs or max(b - a for a, b in _groups(ma[first:until] < gone)) >= _NO_WILD):
        return first + max(long, key=lambda g: (g[1] - g[0], g[0]))[0]
    if last.level > idle or not differs or last.lasted > usual_us:
        return None
    near = max(first, last.index - _BEYOND)
    level = float(np.median(ma[last.index :]))
    dips = _groups(ma[near:until] < min(_DIP * level, level - _DIP_SIGMAS * last.rough))
    dips = [g for g in dips if g[1] - g[0] > 1 or ma[near + g[0]] > _DIP_LEAST * last.level]
    if not dips:
        return None
    k = near + dips[-1][0]
    while k > near and ma[k - 1] < min(_DIP * idle, idle - _DIP_SIGMAS * last.rough):
        k -= 1
    # a star's dip comes after less than what follows it
    return k if k and float(np.median(ma[max(0, k - 3) : k])) > last.level else None


def _groups(chosen: NDArray[np.bool_], apart: int = 0) -> list[tuple[int, int]]:
    """The stretches of chosen elements, no more than so many apart in themselves: first index, one after the last."""
    turns = np.flatnonzero(np.diff(chosen.astype(np.int8), prepend=0, append=0)).tolist()
    found: list[tuple[int, int]] = []
    for start, end in zip(turns[::2], turns[1::2], strict=True):
        goes_on = found and start - found[-1][1] <= apart
        found.append((found.pop()[0] if goes_on else start, end))
    return found


def _fades(t: Ints, ma: Ints, last: LastLevel, idle: float) -> bool:
    """Whether the level comes down to idle by degrees, as the blade leaves the wood: a brake's falls to nothing.

    What falls so fast leaves two samples on its way at most, and these tell its squares' share of their intervals.
    """
    if ma[-1] < _PAUSE * idle:  # nothing flowed any more
        t, ma = t[:-1], ma[:-1]
    if _comes_down(t, ma, last):
        return True
    below = ma < min(_BELOW * last.level, last.level - _BELOW_SIGMAS * last.sigma)
    left = len(ma) - 1 - int(np.argmax(~below[::-1]))  # the last sample of the level
    degrees = len(ma) - 1 - left
    if left <= last.index or degrees < 2 or bool((ma[left + 1 : -1] < idle - _BELOW_SIGMAS * last.sigma).any()):
        return False
    level = float(np.median(ma[max(last.index, left - 4) : left + 1]))
    gone = (1 - (float(ma[-2]) / level) ** 2) * (int(t[-2]) - int(t[-3]))
    there = (float(ma[-1]) / level) ** 2 * (int(t[-1]) - int(t[-2]))
    unsure = 2 * _FALL_SIGMAS * last.rough / level * (int(t[-2]) - int(t[-3]))
    return degrees > 2 or gone + there > _FALL_US + unsure


def _comes_down(t: Ints, ma: Ints, last: LastLevel) -> bool:
    """Whether the end of the level, but for its last sample, is lower than the level: a brake's sags little."""
    end = min(len(ma) - 1, int(np.searchsorted(t, int(t[-1]) - _FALLEN_US)))
    first = max(last.index, int(np.searchsorted(t, int(t[-1]) - PAUSE_US)))
    for m in range(3, end - first + 1):
        if float(np.median(ma[end - m : end])) < (1 - _SAG) * last.level - _SAG_SIGMAS * last.rough / m**0.5:
            return True
    return False


def falls_at_once(ma: Ints, last: LastLevel, idle: float) -> bool:
    """Whether a level below idle begins with a step of one sample, as a contactor makes; wood is left by degrees."""
    k = last.index
    if k < _STEP_OF or float(np.median(ma[k - _STEP_OF : k - 1])) < (last.level + idle) / 2:
        return False
    tolerance = _SAG * last.level + _BELOW_SIGMAS * last.rough
    j = k if ma[k] > last.level + tolerance else k - 1
    degrees = 0
    while j > 0 and last.level + tolerance < ma[j] < idle - tolerance and ma[j - 1] > ma[j] + last.rough:
        degrees, j = degrees + 1, j - 1
    return degrees < 2


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
