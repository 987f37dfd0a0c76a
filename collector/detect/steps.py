"""Steps in the motor current of one run: where the level changes within a fraction of a second.

A step is a local extreme of the difference between the sums of the next and of the last *w* samples (a matched
filter for an edge in white noise) beyond what the run's own noise explains, at a short width that resolves
neighbours and at a long one that finds light cuts. Slow drift (a cold motor, a wandering supply) makes no step.
Sums are integer and each decision looks a bounded distance ahead: chunks of any size give the same steps.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from collector.detect.window import Window

BLOCK = 32  # samples in one estimate of noise
_LOW, _LOW_MA = 0.15, 400.0  # noise is taken where the current is no further than this above the lowest around:
_LOW_LEAST = 16  # ... of blocks with so many such samples. Under load it is the wood that is heard, not the sensor.
_MEMORY, _USUAL = 40, 0.5  # ... from so many of the newest blocks at this quantile, for a sensor stays what it is
_BLOCKS, _QUIET = 12, 0.3  # where the current was never low: from so many blocks at this quantile
_NEVER = 1 << 40
_WIDTHS_S = (0.4, 0.9, 2.0)  # filter widths, s: shorter than any pause, up to long enough for the lightest cut
_AROUND = 5  # blocks before its own in which the lowest level round a step is sought
_RIPPLE = 0.5  # a step smaller than this share of the rise above that level, both sides of it, is ripple of the load
_SIGMAS = 3.9  # a step exceeds so many standard deviations of the filter's output
_LEAST_MA = 25.0  # ... and a difference of means of this much, whatever the noise
_FLOOR_MA = 25.0  # noise is never taken to be less: resolution alone makes about this much
_SMALL, _SMALL_MEAN = 0.7, 0.4738  # this share of the smallest |z| of a normal variable has this mean
_BRAKE_S = 5.0  # what a brake does must still be open to revision when it ends, s
_SPIN_UP_S = 10.0  # star lasts no longer
FAR = 1 << 60  # a place that no sample ever has
_LONGEST = 3  # an extreme is sought in stretches of at most this many widths


class Step(NamedTuple):
    """A change of level between the samples at places ``place - 1`` and ``place``."""

    place: int
    up: bool
    width: int  # which of the filters found it


@dataclass(frozen=True, slots=True)
class _Guess:
    """The steps guessed so far: of the places from ``upto`` to before ``end``, where no excursion is under way."""

    upto: int
    end: int
    steps: list[Step]


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

    Attributes:
        short: the short filter's width, samples.
        brief: the middle filter's width, samples.
        long: the long filter's width, samples.
        margin: how far before the place `settled` the window must reach.
        settled: all steps before this place have been returned by `advance`.
    """

    __slots__ = (
        "_blocks",
        "_floors",
        "_guessed",
        "_inflate",
        "_lag",
        "_lows",
        "_pending",
        "_searches",
        "_sigmas",
        "_sigmas_from",
        "_spin_up",
        "brief",
        "long",
        "margin",
        "settled",
        "short",
    )

    def __init__(self, rate: float, inflate: float) -> None:
        widths = [max(2, round(s * rate)) for s in _WIDTHS_S]
        self._searches = [_Search(w) for w in widths]
        self.short, self.brief, self.long = widths
        self.margin = self.long + 2
        self._spin_up = round(_SPIN_UP_S * rate) + _AROUND * BLOCK
        self._lag = self.long + 2 + round(_BRAKE_S * rate)
        self._inflate = inflate
        self._blocks = np.empty(
            (2, 0)
        )  # noise of the newest blocks, oldest first: of all, and where the current was low
        self._sigmas: list[float] = []  # robust noise at each block, from block _sigmas_from on
        self._lows = np.full(_BLOCKS - 1, np.inf)  # lowest short mean in each of the newest blocks
        self._floors: list[float] = []  # lowest level round each block, from block _sigmas_from on
        self._sigmas_from = 0
        self._pending: list[Step] = []  # found, but not before `settled`
        self._guessed: _Guess | None = None  # None: anew
        self.settled = 1

    @property
    def next_place(self) -> int:
        """Place of the first step known at or after `settled`; far away if there is none."""
        return self._pending[0].place if self._pending else FAR

    def sigma(self, place: int) -> float:
        """Noise (mA, standard deviation of an independent sample) at a place."""
        sigmas, k = self._sigmas, place // BLOCK - self._sigmas_from
        if not sigmas:
            return 2 * _FLOOR_MA
        return sigmas[k if 0 <= k < len(sigmas) else 0 if k < 0 else -1]

    def advance(self, window: Window, *, last: bool = False) -> list[Step]:
        """The steps that became certain, in order; with ``last`` all up to the window's end."""
        self._guessed = None
        self._forget_noise()
        self._measure_noise(window, last=last)
        # only whole blocks are searched: what is known then depends on the samples alone, not on their chunks
        count = window.count if last else (self._sigmas_from + len(self._sigmas)) * BLOCK
        known = count
        for search in self._searches:
            narrower = None if search.w == self.short else self._narrower(search.w)
            found = self._search(window, search, min(count - search.w + 1, known), narrower, close=last)
            # a wider filter waits for what the narrower ones say of the places round its own
            known = min(known, search.upto if last else search.upto - self.short)
            self._pending += found
        self._pending.sort()  # two at one place stay two: a wider filter is yet to ask what narrower ones found
        settled = window.count if last else max(self.settled, self._searches[-1].upto - self._lag)
        cut = next((i for i, s in enumerate(self._pending) if s.place >= settled), len(self._pending))
        done, self._pending = self._pending[:cut], self._pending[cut:]
        self.settled = settled
        return _in_order(done) if len(done) > 1 else done

    def _narrower(self, width: int) -> tuple[list[int], list[int]]:
        """Places of the steps down and of those up that narrower filters found."""
        found: tuple[list[int], list[int]] = ([], [])
        for s in self._pending:
            if s.width < width:
                found[s.up].append(s.place)
        return sorted(found[0]), sorted(found[1])

    def rewind(self, place: int) -> None:
        """The window ends at a place before which it was searched: search its end anew."""
        self._guessed = None
        again = max(self.settled, place - self.long)
        self._pending = [s for s in self._pending if s.place < again]
        for search in self._searches:
            search.upto = min(search.upto, again)

    def guess(self, window: Window) -> list[Step]:
        """The steps from `settled` on, as far as the samples so far tell; later samples may change them.

        It is the same list as before, if the samples since then tell nothing new.
        """
        w, upto, known = self.short, self._searches[0].upto, self._guessed
        end = window.count - w + 1
        if known is not None and known.upto == upto and (end <= known.end or self._calm(window, known.end, end)):
            if end > known.end:
                self._guessed = _Guess(upto, end, known.steps)
            return known.steps
        ahead = self._search(window, _Search(w, upto), end, None, close=True)
        steps = _in_order([*self._pending, *ahead])
        closed = end > upto and self._calm(window, end - 1, end)
        self._guessed = _Guess(upto, end, steps) if closed else None
        return steps

    def _calm(self, window: Window, start: int, end: int) -> bool:
        """Whether the short filter stays within its limit at the places ``start <= p < end``, all of them new."""
        w, i, n, s = self.short, start - window.base, end - start, window.sums
        filtered = s[i + w : i + w + n] + s[i - w : i - w + n] - 2 * s[i : i + n]
        limits = self._limits(start, end, w)
        return not (np.abs(filtered) > limits).any()

    def _forget_noise(self) -> None:
        # one block more than settled: a step close to a silence waits for what is on its other side
        drop = min(self.settled // BLOCK - 1 - self._sigmas_from, len(self._sigmas) - 1)
        if drop > 0:
            del self._sigmas[:drop], self._floors[:drop]
            self._sigmas_from += drop

    def _measure_noise(self, window: Window, *, last: bool) -> None:
        first = self._sigmas_from + len(self._sigmas)
        n = window.count // BLOCK - first
        if n <= 0:
            if last and not self._sigmas and window.count > 6:
                y = window.y[-window.base :]
                self._sigmas = self._as_sigma(_small_mean(np.abs(y[3:] - y[:-3])[np.newaxis, :]))
                self._floors = [float(y.min())]
            return
        i = first * BLOCK - window.base
        y = window.y[i - 3 : i + n * BLOCK]
        differences = np.abs(y[3:] - y[:-3]).reshape(n, BLOCK)
        self._measure_lows(window, first, n)
        lowest = _rolling_least(self._lows, n)
        low = (y[3:] + y[:-3]).reshape(n, BLOCK) < 2 * (lowest + np.maximum(_LOW_MA, _LOW * lowest))[:, np.newaxis]
        noise = _small_mean(differences)
        blocks = np.concatenate((self._blocks, np.stack((noise, _noise_where(differences, low, noise)))), 1)
        self._blocks = blocks[:, -(_MEMORY - 1) :]
        self._lows = self._lows[-(_BLOCKS - 1) :]
        self._sigmas += self._as_sigma(_usual_noise(blocks, n))

    def _as_sigma(self, small_mean: NDArray[np.float64]) -> list[float]:
        sigmas: list[float] = np.maximum((self._inflate / 2) ** 0.5 * small_mean, _FLOOR_MA).tolist()
        return sigmas

    def _measure_lows(self, window: Window, first: int, n: int) -> None:
        w, i = self.short, first * BLOCK - window.base
        sums = window.sums
        means = sums[i + 1 : i + 1 + n * BLOCK] - sums[i + 1 - w : i + 1 - w + n * BLOCK]
        self._lows = lows = np.concatenate((self._lows, means.reshape(n, BLOCK).min(axis=1) / w))
        around = lows[-n:]
        for k in range(_AROUND):
            around = np.minimum(around, lows[-n - _AROUND + k : -_AROUND + k])
        self._floors += around.tolist()

    def _ripples(self, window: Window, place: int, size: float, w: int) -> bool:
        """Whether a step is small against how far the current stands above the lowest level around it, both sides."""
        floors = self._floors
        if place < self._spin_up or not floors:
            return False  # in star idle is lower than it will be: no measure of a rise
        block = min(max(place // BLOCK - self._sigmas_from, 0), len(floors) - 1)
        k, i, sums = self.short, place - window.base, window.sums
        here = sums.item(i)
        rise = min(here - sums.item(i - k), sums.item(i + k) - here)
        return size < _RIPPLE * (rise / k - floors[block]) * w

    def _search(
        self, window: Window, search: _Search, end: int, narrower: tuple[list[int], list[int]] | None, *, close: bool
    ) -> list[Step]:
        """The steps before ``end``; of a wider filter those that none of the ``narrower`` ones that way explains."""
        start, w, near = search.upto, search.w, self.short

        found: list[Step] = []
        if end <= start:
            return found
        # one place more at the front: a neighbour to compare with
        s, i, n = window.sums, start - window.base - 1, end - start + 1
        here = s[i : i + n]
        filtered = (s[i + w : i + w + n] - here) - (here - s[i - w : i - w + n])
        size = np.abs(filtered)
        filtered = filtered[1:]
        n -= 1
        (beyond,) = (size[1:] > self._limits(start, end, w)).nonzero()
        search.upto = end
        if not len(beyond):
            return found
        up = filtered[beyond] > 0
        for lo, hi, upwards in _stretches(beyond, up, _LONGEST * w):
            if hi == n and not close:
                search.upto = start + lo
                break
            if narrower is not None and _lies_between(narrower[upwards], start + lo - near, start + hi + near):
                continue
            for at in _tops(size, lo + 1, hi + 1, w):  # the first of size is the place before
                place = start - 1 + at
                if not self._ripples(window, place, size.item(at), w):
                    found.append(Step(place, upwards, w))
        return found

    def _limits(self, start: int, end: int, w: int) -> NDArray[np.int64] | int:
        first, last = start // BLOCK, (end - 1) // BLOCK
        have = self._sigmas_from + len(self._sigmas)
        scale, least = _SIGMAS * math.sqrt(2 * w), _LEAST_MA * w
        if first == last or (last >= have and first >= have - 1):
            return int(max(scale * self.sigma(start), least))
        sigmas = self._sigmas[first - self._sigmas_from : last + 1 - self._sigmas_from]
        sigmas += [self._sigmas[-1]] * (last + 1 - first - len(sigmas))
        per_block = np.maximum(scale * np.array(sigmas), least).astype(np.int64)
        return np.repeat(per_block, BLOCK)[start - first * BLOCK : end - first * BLOCK]


def _in_order(steps: list[Step]) -> list[Step]:
    """The steps in order, those that more than one filter found once."""
    return list({s.place: s for s in sorted(steps, reverse=True)}.values())[::-1]


def _stretches(beyond: NDArray[np.int64], up: NDArray[np.bool_], longest: int) -> Iterator[tuple[int, int, bool]]:
    """From where to where neighbouring places lie beyond the limit the same way; long stretches in pieces."""
    turns = ((beyond[1:] != beyond[:-1] + 1) | (up[1:] != up[:-1])).nonzero()[0]
    firsts, lasts = [beyond.item(0), *beyond[turns + 1].tolist()], [*beyond[turns].tolist(), beyond.item(-1)]
    for first, last, upwards in zip(firsts, lasts, [up.item(0), *up[turns + 1].tolist()], strict=True):
        lo = first
        while last + 1 - lo > longest:
            yield lo, lo + longest, upwards
            lo += longest
        yield lo, last + 1, upwards


def _lies_between(places: list[int], start: int, end: int) -> bool:
    k = bisect_left(places, start)
    return k < len(places) and places[k] < end


def _tops(size: NDArray[np.int64], lo: int, hi: int, w: int) -> list[int]:
    """Indices of the steps in a stretch beyond the limit.

    One step makes a triangle of two widths; in a longer stretch there may be a stair, whose other steps are peaks of
    their own outside the triangle of the highest.
    """
    top = lo + int(size[lo:hi].argmax())
    tops = [top]
    if hi - lo > 2 * w:
        for a, b in ((lo, top - w), (top + w, hi)):
            if b - a > 2:
                other = a + int(size[a:b].argmax())
                around = size[other - 1 : other + 2]
                if int(around.max()) == int(size[other]):
                    tops.append(other)
    return tops


def _small_mean(differences: NDArray[np.int64]) -> NDArray[np.float64]:
    """Standard deviation of normal differences, per row, from the mean of the smaller ones.

    Steps do not count, and a coarse resolution is averaged out: a median would be a multiple of it.
    """
    k = max(1, int(_SMALL * differences.shape[1]))
    small = np.partition(differences.astype(np.int32), k - 1, axis=1)[:, :k]
    return np.asarray(small.sum(axis=1) / (k * _SMALL_MEAN), np.float64)


def _noise_where(
    differences: NDArray[np.int64], chosen: NDArray[np.bool_], noise: NDArray[np.float64]
) -> NDArray[np.float64]:
    """As ``noise``, which is `_small_mean`, of the chosen differences of each row only; infinite where they are few."""
    if len(differences) == 1:  # a few numbers are faster plain
        few = sorted(differences[chosen].tolist())
        k = max(1, int(_SMALL * len(few)))
        return np.array([sum(few[:k]) / (k * _SMALL_MEAN) if k >= _SMALL * _LOW_LEAST else np.inf])
    count = np.count_nonzero(chosen, axis=1)
    out = np.where(count == differences.shape[1], noise, np.inf)
    (partly,) = np.isinf(out).nonzero()
    k = np.maximum(1, (_SMALL * count[partly]).astype(np.int64))
    partly, k = partly[k >= _SMALL * _LOW_LEAST], k[k >= _SMALL * _LOW_LEAST]
    if len(partly):
        some = np.sort(np.where(chosen[partly], differences[partly], _NEVER), axis=1)
        out[partly] = np.cumsum(some, axis=1)[np.arange(len(k)), k - 1] / (k * _SMALL_MEAN)
    return out


def _rolling_least(lows: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """For each of the newest ``n`` blocks the least of it and the blocks before it, `_BLOCKS` in all."""
    if n == 1:
        return np.array([lows[-_BLOCKS:].min()])
    least, reach = lows[1 - _BLOCKS - n :], 1
    while reach < _BLOCKS:
        more = min(reach, _BLOCKS - reach)
        least, reach = np.minimum(least[more:], least[:-more]), reach + more
    return least


def _usual_noise(blocks: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """For each of the newest ``n`` blocks the noise, from it and the blocks before it.

    It is the median of those in which the current was low for long enough; a low quantile, where there are none.
    """
    if n == 1:
        low = sorted(blocks[1, -_MEMORY:].tolist())
        if low[0] < np.inf:
            return np.array([low[int(_USUAL * (sum(x < np.inf for x in low) - 1))]])
        return np.array([sorted(blocks[0, -_BLOCKS:].tolist())[int(_QUIET * (min(blocks.shape[1], _BLOCKS) - 1))]])
    lacking = max(0, _MEMORY - 1 + n - blocks.shape[1])  # the first ones have fewer blocks before them
    if lacking:
        blocks = np.concatenate((np.full((2, lacking), np.inf), blocks), axis=1)
    places = np.arange(_MEMORY) + np.arange(blocks.shape[1] - _MEMORY + 1)[:, np.newaxis]
    when_low = blocks[1][places]
    when_low.sort(axis=1)
    out = _ranked(when_low, _USUAL)
    (never,) = np.isinf(when_low[:, 0]).nonzero()
    if len(never):
        out[never] = _ranked(np.sort(blocks[0][places[never, -_BLOCKS:]], axis=1), _QUIET)
    return out


def _ranked(rows: NDArray[np.float64], q: float) -> NDArray[np.float64]:
    """The finite values at a quantile of each sorted row; infinite where there is none."""
    rank = (q * (np.isfinite(rows).sum(axis=1) - 1)).astype(np.int64)
    return np.asarray(rows[np.arange(len(rows)), np.maximum(rank, 0)], np.float64)
