"""Where a motor was switched off whose brake is known to be seen: sought where its brake's current usually begins.

One stop by itself may tell too little: a brake's current as high as idle, a pause that is a part of one sample, a
current lost in noise. A saw at whose other stops the brake was seen has braked here too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from collector.detect.pause import BEYOND, GONE, PAUSE_US, lacking
from collector.detect.raw import SELDOM_US
from collector.detect.smooth import middles
from collector.detect.stop import FADE_US, HIGH, fall_time

if TYPE_CHECKING:
    from collections.abc import Callable

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

_SHORTER, _LONGER = 0.8, 1.2  # times the shortest and the longest that was seen
_SOON_US = 300_000  # so much of a brake's current tells it, where a silence hides its end
_FLAT, _FLAT_SIGMAS = 0.03, 1.5  # its samples scatter by this share of their mean, and so much noise
_SAG = 0.1  # ... and it sags by no more
_WILD, _MEET = 0.25, 2  # so much off the level a sample is wild; the median leaves as many of two that meet
_EVEN = 0.008  # ... where a cut may look like it: wood is less even
_DIP, _SIGMAS = 0.9, 3.0  # a sample with some of a pause in it has less than this share of a level, but for noise
_LACKS_US = 40_000  # a pause is seen by no less
_LEAST, _AROUND_US = 5, 250_000  # samples, and how much time, tell a level
_STEP, _STEP_SIGMAS = 0.04, 5.0  # a step is no smaller: share of the level, standard deviations
_MEDIAN_SHARE = 0.67  # of a sample's noise is left in a median of three
_STANDS = 2  # samples at the end may be standstill's that noise makes look like a small current


class Stopped(NamedTuple):
    """When the motor was switched off, µs.

    ``turned``: another current flowed from then on; ``silence`` is the one (µs) in which it was, about then.
    """

    off: int
    turned: bool
    silence: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Tail:
    """The last samples of a run.

    Attributes:
        t: their times, µs; the last one is the last with current.
        ma: their currents, mA.
        since: µs from which on these are all.
        noise: standard deviation of a sample, mA.
        idle_at: the idle level (mA) shortly before a time (µs).
        silent_us: how long the silence was in which the current ended; 0: it was seen to end.
    """

    t: Ints
    ma: Ints
    since: int
    noise: float
    idle_at: Callable[[int], float]
    silent_us: int


def usual_stop(tail: Tail, brake_us: tuple[int, int]) -> Stopped | None:
    """When the motor was switched off; None where nothing tells it.

    Args:
        tail: of the run.
        brake_us: the shortest and the longest that this saw's brake was seen, µs.
    """
    return _Search(_without_standstill(tail), brake_us).found() if len(tail.t) > BEYOND else None


def goes_on(tail: Tail, off: int) -> bool:
    """Whether the same current flows before a time (µs) and after it: what seemed a pause there is none."""
    i, j = (int(np.searchsorted(tail.t, at)) for at in (off, off + PAUSE_US))
    after = tail.ma[j:-1]
    if not i or len(after) < BEYOND:
        return False
    level, before = float(np.median(after)), tail.ma[max(0, i - BEYOND) : i]
    # Of a slow box three samples reach back to before the brake's current; one may be a wild one.
    least = min(abs(float(before[-1]) - level), abs(float(np.median(before)) - level))
    return least < _STEP * level + _SIGMAS * tail.noise


def _without_standstill(tail: Tail) -> Tail:
    """The same, without samples at its end that are so small that they are noise of standstill."""
    t, ma, silent = tail.t, tail.ma, tail.silent_us
    for _ in range(_STANDS if len(ma) > 2 * _LEAST else 0):
        level = float(np.median(ma[-2 - _LEAST : -2]))
        apart = int(t[-1]) - int(t[-2])
        if ma[-1] >= GONE * level or (ma[-2] >= _DIP * level and apart <= SELDOM_US):
            break  # the last one is partly without current, no more
        t, ma, silent = t[:-1], ma[:-1], max(silent, apart if apart > SELDOM_US else 0)
    return Tail(t, ma, tail.since, tail.noise, tail.idle_at, silent)


class _Search:
    def __init__(self, tail: Tail, brake_us: tuple[int, int]) -> None:
        self._tail, self._brake = tail, brake_us
        t, silent, n = tail.t, tail.silent_us, len(tail.ma)
        self._end = int(t[-1])
        while not silent and n > BEYOND and self._end - int(t[n - 1]) < FADE_US:
            n -= 1  # the last sample is partly without current, and more of a fast box
        self._n, self._y = n, _smooth(tail.ma[:n])
        self._around = max(_LEAST, n - int(np.searchsorted(t[:n], int(t[n - 1]) - _AROUND_US)))
        latest = self._end - (_SOON_US if silent else round(_SHORTER * brake_us[0]))
        earliest = self._end - round(_LONGER * brake_us[1]) - PAUSE_US
        self._first = max(self._around, int(np.searchsorted(t, earliest)))
        self._last = min(int(np.searchsorted(t, latest, side="right")), n - BEYOND)
        self._idle = tail.idle_at(int(t[min(self._first, n) - 1]))  # about: a pause has less

    def found(self) -> Stopped | None:
        """The stop by a pause, or by a step, or in a silence; a pause that changes nothing may be a wild sample."""
        pause = self._by_pause()
        if pause is not None and pause.turned:
            return pause
        return self._by_step() or pause or self._in_silence()

    def _by_pause(self) -> Stopped | None:
        share = _EVEN if self._tail.silent_us else _FLAT
        dips = [(self._turns(*d[:2]), d[2], d[0]) for d in self._dips() if self._flat(self._y[d[1] + 1 :], share)]
        if self._tail.silent_us:  # it may be a wild sample of a cut that is still going on
            dips = [d for d in dips if d[0]]
        if not dips:
            return None
        turned, _, k = max(dips)
        tail = self._tail
        return Stopped(fall_time(tail.t, tail.ma, k, tail.idle_at(int(tail.t[k - 1]))), turned)

    def _by_step(self) -> Stopped | None:
        steps = [
            (z, i) for i in range(self._first, self._last) if (z := self._step(i)) and self._flat(self._y[i + 1 :])
        ]
        if not steps:
            return None
        k, t = max(steps)[1], self._tail.t
        idle, there = self._tail.idle_at(int(t[k - 1])), self._y[k + 1 :][: self._around]
        if self._tail.silent_us:  # a cut may have begun there, and its end and the brake's be unheard
            is_brake = there.mean() > HIGH * idle and self._flat(self._y[k + 1 :], _EVEN)
        else:
            is_brake = self._another(there, idle)
        return Stopped(int(t[k - 1]), turned=True) if is_brake else None

    def _in_silence(self) -> Stopped | None:
        """As long before the end as the brake usually takes, if nothing was heard then."""
        t, y, since = self._tail.t, self._y, self._tail.since
        holes = np.flatnonzero(np.diff(t[: len(y)], prepend=since) > PAUSE_US)
        if self._tail.silent_us or not len(holes):
            return None
        k = int(holes[-1])
        before, after = int(t[k - 1]) if k else since, int(t[k])
        short, long = round(_SHORTER * self._brake[0]), round(_LONGER * self._brake[1])
        there, level = y[k:], float(y[k:].mean())
        if self._end - before < short or self._end - after > long or not self._flat(there):
            return None
        as_before = k > 0 and abs(float(np.median(y[max(0, k - self._around) : k])) - level) < _STEP * level
        if as_before or not self._another(there, self._tail.idle_at(before)):
            return None
        off = min(max(self._end - sum(self._brake) // 2, before), after)
        return Stopped(off, turned=False, silence=(before, after))

    def _another(self, y: Floats, idle: float) -> bool:
        """Whether a level is not idle, and falls at once; a blade that leaves the wood does so by degrees."""
        level = float(y.mean())
        return abs(level - idle) > _STEP * level and not self._lacks(self._n - 1, level)

    def _turns(self, i: int, j: int) -> bool:
        """Whether what flows after a pause differs from what flowed before it."""
        before, after = float(np.median(self._y[i - BEYOND : i])), float(np.median(self._y[j + 1 :]))
        return bool(abs(after - before) > _STEP * after + _SIGMAS * self._tail.noise / BEYOND**0.5)

    def _flat(self, y: Floats, share: float = _FLAT) -> bool:
        """Whether the samples, but for two wild ones that met, lie round a straight line as a brake's do."""
        if len(y) < BEYOND:
            return False
        x, noise = np.arange(len(y)) - (len(y) - 1) / 2, self._tail.noise
        middle = float(np.median(y))
        near = np.abs(y - middle) < _WILD * middle + _SIGMAS * noise
        if len(y) - np.count_nonzero(near) <= _MEET and np.count_nonzero(near) >= BEYOND:
            x, y = x[near], y[near]
        x = x - x.mean()
        mean, slope = float(y.mean()), float((x * y).sum()) / float((x * x).sum())
        if abs(slope) * (x[-1] - x[0] + 1) > _SAG * mean + _SIGMAS * noise:
            return False
        return float((y - mean - slope * x).std()) <= _FLAT_SIGMAS * _MEDIAN_SHARE * noise + share * mean

    def _dips(self) -> list[tuple[int, int, int]]:
        """Stretches with less than flows before and after: first index, one after the last, µs lacking."""
        t, ma, y, around = self._tail.t, self._tail.ma, self._y, self._around
        found: list[tuple[int, int, int]] = []
        i = self._first
        while i < self._last:
            before, after = float(np.median(ma[i - around : i])), float(np.median(ma[i + 1 :][: 2 * around]))
            if not self._lacks(i, min(before, after, self._idle)):
                i += 1
                continue
            j = i + 1
            while j < len(y) - BEYOND and int(t[j]) - int(t[i]) < PAUSE_US:
                if not self._lacks(j, min(float(np.median(y[j + 1 :])), self._idle)):
                    break
                j += 1
            lacks = lacking(t[i - 1 : j], ma[i:j], max(1.0, min(before, float(np.median(y[j:])))))
            if lacks >= _LACKS_US:
                found.append((i, j, lacks))
            i = j
        return found

    def _lacks(self, i: int, level: float) -> bool:
        return bool(self._tail.ma[i] < min(_DIP * level, level - _SIGMAS * self._tail.noise))

    def _step(self, i: int) -> float:
        """How sharp a step at an index is, in standard deviations; 0 where it is none."""
        y, n = self._y, self._around
        before, after = float(y[max(0, i - n - 1) : i - 1].mean()), float(y[i + 1 :][:n].mean())
        size = abs(after - before)
        sharp = size / max(1.0, self._tail.noise * (2 / n) ** 0.5)
        return sharp if sharp > _STEP_SIGMAS and size > _STEP * after else 0.0


def _smooth(ma: Ints) -> Floats:
    """Median of three."""
    if len(ma) < BEYOND:
        return ma.astype(np.float64)
    middle = middles(ma)
    return np.concatenate((middle[:1], middle, middle[-1:])).astype(np.float64)
