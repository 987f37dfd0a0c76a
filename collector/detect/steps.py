"""Steps in the motor current of one run: where the level changes within a fraction of a second.

A step is a local extreme of the difference between the sums of the next and of the last *w* samples (a matched
filter for an edge in white noise) beyond what the run's own noise explains, at a short width that resolves
neighbours and at a long one that finds light cuts. Slow drift (a cold motor, a wandering supply) makes no step.
Sums are integer and each decision looks a bounded distance ahead: chunks of any size give the same steps.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from collector.detect.window import Window

BLOCK = 32  # samples in one estimate of noise
_BLOCKS = 12  # estimates from which the noise at a place is taken
_QUIET = 0.3  # ... at this quantile: blocks with a step or a rough cut in them are louder
_SHORT_S, _LONG_S = 0.4, 2.0  # filter widths, s: shorter than any pause; long enough for the lightest cut
_SIGMAS = 4.2  # a step exceeds so many standard deviations of the filter's output
_LEAST_MA = 25.0  # ... and a difference of means of this much, whatever the noise
_FLOOR_MA = 25.0  # noise is never taken to be less: resolution alone makes about this much
_SIGMA_PER_MAD = 1.4826  # normal variable
_FAR = 1 << 60
_LONGEST = 3  # an extreme is sought in stretches of at most this many widths


class Step(NamedTuple):
    """A change of level between the samples at places ``place - 1`` and ``place``."""

    place: int
    up: bool


@dataclass(slots=True)
class _Search:
    w: int
    upto: int = 1  # places before this one are done


class StepFinder:
    """Finds the steps of one run in a `Window` that grows at its end.

    Args:
        rate: samples a second in the window.
        inflate: variance of a mean of neighbouring samples over that of independent samples with the same lag-3
            differences (a median of three in front correlates neighbours).

    Places count from the window's place 0; the window must reach `margin` places further back.
    """

    __slots__ = ("_blocks", "_inflate", "_long", "_pending", "_short", "_sigmas", "_sigmas_from", "settled")

    def __init__(self, rate: float, inflate: float) -> None:
        self._short = _Search(max(2, round(_SHORT_S * rate)))
        self._long = _Search(max(self._short.w * 4 + 2, round(_LONG_S * rate)))
        self._inflate = inflate
        self._blocks = np.empty(0, np.float64)  # noise of the newest blocks, oldest first
        self._sigmas = np.empty(0, np.float64)  # robust noise at each block, from block _sigmas_from on
        self._sigmas_from = 0
        self._pending: list[Step] = []  # found, but not before `settled`
        self.settled = 1  # all steps before this place have been returned by `advance`

    @property
    def margin(self) -> int:
        """How far before the place `settled` the window must reach."""
        return self._long.w + 2

    @property
    def short(self) -> int:
        """The short filter's width, samples."""
        return self._short.w

    @property
    def long(self) -> int:
        """The long filter's width, samples."""
        return self._long.w

    @property
    def next_place(self) -> int:
        """Place of the first step known at or after `settled`; far away if there is none."""
        return self._pending[0].place if self._pending else _FAR

    def sigma(self, place: int) -> float:
        """Noise (mA, standard deviation of an independent sample) at a place."""
        if not len(self._sigmas):
            return 2 * _FLOOR_MA
        block = min(max(place // BLOCK - self._sigmas_from, 0), len(self._sigmas) - 1)
        return float(self._sigmas[block])

    def advance(self, window: Window, *, last: bool = False) -> list[Step]:
        """The steps that became certain, in order; with ``last`` all up to the window's end."""
        self._forget_noise()
        self._measure_noise(window, last=last)
        known = window.count if last else (self._sigmas_from + len(self._sigmas)) * BLOCK
        short, long = self._short, self._long
        quick = self._search(window, short, min(window.count - short.w + 1, known), close=last)
        slow = self._search(window, long, min(window.count - long.w + 1, known, short.upto), close=last)
        self._pending += [Step(p, up) for p, up, _, _ in quick]
        if slow:
            ups = [s for s in self._pending if s.up]
            downs = [s for s in self._pending if not s.up]
            for p, up, lo, hi in slow:
                if not any(lo - short.w <= s.place < hi + short.w for s in (ups if up else downs)):
                    self._pending.append(Step(p, up))
        if len(self._pending) > 1:
            self._pending.sort()
        settled = window.count if last else max(self.settled, long.upto - long.w - 2)
        cut = next((i for i, s in enumerate(self._pending) if s.place >= settled), len(self._pending))
        done, self._pending = self._pending[:cut], self._pending[cut:]
        self.settled = settled
        return done

    def guess(self, window: Window) -> list[Step]:
        """The steps from `settled` on, as far as the samples so far tell; later samples may change them."""
        ahead = _Search(self._short.w, self._short.upto)
        return sorted([*self._pending, *(Step(p, up) for p, up, _, _ in
                       self._search(window, ahead, window.count - ahead.w + 1, close=True))])

    def _forget_noise(self) -> None:
        drop = min(self.settled // BLOCK - self._sigmas_from, len(self._sigmas) - 1)
        if drop > 0:
            self._sigmas = self._sigmas[drop:]
            self._sigmas_from += drop

    def _measure_noise(self, window: Window, *, last: bool) -> None:
        first = self._sigmas_from + len(self._sigmas)
        n = window.count // BLOCK - first
        if n <= 0:
            if last and not len(self._sigmas) and window.count > 6:
                y = window.y[-window.base :]
                mad = float(np.median(np.abs(y[3:] - y[:-3])))
                self._sigmas = np.array([self._as_sigma(mad)])
            return
        i = first * BLOCK - window.base
        y = window.y[i - 3 : i + n * BLOCK]
        differences = np.abs(y[3:] - y[:-3]).reshape(n, BLOCK)
        half = BLOCK // 2
        mads = np.partition(differences, half, axis=1)[:, half].astype(np.float64)
        blocks = np.concatenate((self._blocks, mads))
        self._blocks = blocks[-(_BLOCKS - 1) :]
        self._sigmas = np.concatenate((self._sigmas, self._as_sigma(_rolling_quantile(blocks, n))))

    def _as_sigma(self, mad: NDArray[np.float64] | float) -> NDArray[np.float64]:
        sigma = np.sqrt(self._inflate / 2) * _SIGMA_PER_MAD * np.asarray(mad, np.float64)
        return np.asarray(np.maximum(sigma, _FLOOR_MA), np.float64)

    def _search(self, window: Window, search: _Search, end: int, *, close: bool) -> list[tuple[int, bool, int, int]]:
        start, w = search.upto, search.w
        if end <= start:
            return []
        s, i, n = window.sums, start - window.base, end - start
        filtered = s[i + w : i + w + n] - 2 * s[i : i + n] + s[i - w : i - w + n]
        limit = self._limits(start, end, w)
        size = np.abs(filtered)
        beyond = size > limit
        search.upto = end
        if not beyond.any():
            return []
        sign = np.where(beyond, np.sign(filtered), 0).astype(np.int8)
        turns = np.flatnonzero(sign[1:] != sign[:-1]) + 1
        starts = np.concatenate(([0], turns))
        ends = np.concatenate((turns, [n]))
        inside = sign[starts] != 0
        found = []
        for a, b in zip(starts[inside].tolist(), ends[inside].tolist(), strict=True):
            lo, hi, up = a, b, bool(sign[a] > 0)
            while hi - lo > _LONGEST * w:
                found.append((start + lo + int(size[lo : lo + _LONGEST * w].argmax()), up, start + lo, start + lo + _LONGEST * w))
                lo += _LONGEST * w
            if hi == n and not close:
                search.upto = start + lo
                break
            found.append((start + lo + int(size[lo:hi].argmax()), up, start + lo, start + hi))
        return found

    def _limits(self, start: int, end: int, w: int) -> NDArray[np.float64] | float:
        first, last = start // BLOCK, (end - 1) // BLOCK
        have = self._sigmas_from + len(self._sigmas)
        scale, least = _SIGMAS * float(np.sqrt(2 * w)), _LEAST_MA * w
        if first == last or last >= have and first >= have - 1:
            return max(scale * self.sigma(start), least)
        blocks = np.minimum(np.arange(first, last + 1), have - 1) - self._sigmas_from
        per_block = np.maximum(scale * self._sigmas[blocks], least)
        return np.repeat(per_block, BLOCK)[start - first * BLOCK : end - first * BLOCK]


def _rolling_quantile(blocks: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """For each of the newest ``n`` blocks a low quantile of it and the blocks before it, `_BLOCKS` in all."""
    out = np.empty(n)
    have = len(blocks) - n
    full = max(0, _BLOCKS - 1 - have)  # the first ones have fewer blocks before them
    for k in range(min(full, n)):
        part = np.sort(blocks[: have + k + 1])
        out[k] = part[int(_QUIET * (len(part) - 1))]
    if n > full:
        rows = np.lib.stride_tricks.sliding_window_view(blocks[have + full - (_BLOCKS - 1) :], _BLOCKS)
        rank = int(_QUIET * (_BLOCKS - 1))
        out[full:] = np.partition(rows, rank, axis=1)[:, rank]
    return out
