"""General-purpose libraries at the detector's job, on its terms and on far easier ones.

*Alone*, each gets the trace as the detector does: a run is where current flows, and what of a run's beginning to leave
out is one of its settings. *Told*, each is also given when every run truly began and ended and when its spin-up was
over, which is most of the difficulty. Either way each has the settings that did best on developing seeds of the very
family; what is no cut by definition (shorter than 0.8 s) is dropped and pauses under a second are closed for them.
They answer with cuts only.

- ruptures (change points): the levels between change points that stand above idle are cuts; idle is the lowest level
  of half a second or more within 45 s. `KernelCPD` with the linear kernel and `Pelt` with the cost "l2" minimise the
  same sum exactly; the first is compiled and gets every sample (at most 10 a second), the second gets means of 0.2 s.
- scipy: `find_peaks` on the signal smoothed and freed of its baseline; a peak's width is its cut.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import ruptures
import scipy.ndimage
import scipy.signal

from collector.facts import SECOND, Cut, Direction, Fact

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from tests.bench.detect_cases import Case

    Spans = list[tuple[float, float]]

Settings = tuple[float | None, Any]
"""What to leave out of a run's beginning [s] (None: told), and the library's own."""

SKIPS = (1.0, 3.0, 7.0)
BIN_S = 0.2
"""Bins of `Pelt`, which is not compiled."""


@dataclass(frozen=True)
class Stretch:
    """A run's current after spin-up on an even grid: ``x`` in A, ``step`` in s, ``start`` in µs."""

    start: int
    step: float
    x: NDArray[np.float64]


def stretches(case: Case, step: float | None = None, skip: float | None = None) -> list[Stretch]:
    """The runs of a case, resampled to means over ``step`` (default: the box's own rate, at most 10 a second).

    Told (``skip`` None): the true runs from the true end of spin-up. Alone: where current flows, but for the first
    ``skip`` seconds.
    """
    step = step or max(0.1, 1 / case.rate)
    t, v = case.trace.motor.t, case.trace.motor.v / 1000
    out = []
    for start, end in case.runs if skip is None else _flowing(t, v):
        begin = _spun_up(case, start, end) if skip is None else start + round(skip * SECOND)
        i, j = np.searchsorted(t, (begin, end))
        if j - i < 4:
            continue
        cell = ((t[i:j] - begin) / (step * SECOND)).astype(int)
        count = np.bincount(cell)
        mean = np.bincount(cell, v[i:j]) / np.maximum(count, 1)
        full = np.flatnonzero(count)
        out.append(Stretch(begin, step, np.interp(np.arange(len(count)), full, mean[full])))
    return out


def _flowing(t: NDArray[np.int64], v: NDArray[np.float64]) -> list[tuple[int, int]]:
    """Where more than 0.6 A flow, but for interruptions under half a second; by a median of three samples."""
    on = np.concatenate(([False], scipy.ndimage.median_filter(v, 3) > 0.6, [False]))
    turns = np.flatnonzero(on[1:] != on[:-1]).reshape(-1, 2)
    out: list[tuple[int, int]] = []
    for i, j in turns:
        start, end = int(t[i]), int(t[j - 1])
        if out and start - out[-1][1] < 0.5 * SECOND:
            out[-1] = (out[-1][0], end)
        else:
            out.append((start, end))
    return [(a, b) for a, b in out if b - a > SECOND]


def _spun_up(case: Case, start: int, end: int) -> int:
    """When the run's current came down to the idle level before its first cut (told from the truth)."""
    first = min((a for a, b in case.cuts if b > start and a < end), default=end)
    series = case.trace.motor.between(start, max(first, start + 1))
    if len(series) < 5 or first <= start:
        return start
    x = scipy.ndimage.median_filter(series.v / 1000, 3)
    idle = float(np.median(x[series.t > first - 0.4 * SECOND])) if (series.t > first - 0.4 * SECOND).any() else x[-1]
    off = np.flatnonzero(np.abs(x - idle) > 0.15 * idle + 0.1)
    return int(series.t[off[-1]]) + 1 if len(off) else start


def _spread(x: NDArray[np.float64]) -> float:
    """Noise of one sample, from the differences of neighbours."""
    d = np.abs(np.diff(x))
    return max(float(np.median(d)) / 0.954, 1e-3) if len(d) else 1e-3


def _tidy(spans: Spans) -> Spans:
    out: Spans = []
    for a, b in sorted(spans):
        if out and a - out[-1][1] < 1.0:
            out[-1] = (out[-1][0], max(b, out[-1][1]))
        else:
            out.append((a, b))
    return [(a, b) for a, b in out if b - a >= 0.8]


# --- change points ---------------------------------------------------------------------------------------------


def kernel_breaks(x: NDArray[np.float64], penalty: float) -> list[int]:
    return ruptures.KernelCPD(kernel="linear", min_size=3).fit(x).predict(pen=penalty)


def pelt_breaks(x: NDArray[np.float64], penalty: float) -> list[int]:
    return ruptures.Pelt(model="l2", min_size=3, jump=1).fit(x).predict(pen=penalty)


def levels_above_idle(s: Stretch, breaks: Sequence[int], rise: float) -> Spans:
    edges = [0, *breaks]
    means = np.array([s.x[a:b].mean() for a, b in itertools.pairwise(edges)])
    at = np.array(edges) * s.step
    long = np.diff(at) >= 0.5
    spans = []
    for k, mean in enumerate(means):
        near = (at[1:] > at[k] - 45) & (at[:-1] < at[k + 1] + 45) & long
        if near.any() and mean > means[near].min() + rise:
            spans.append((float(at[k]), float(at[k + 1])))
    return _tidy(spans)


# --- peaks -----------------------------------------------------------------------------------------------------


def peaks(s: Stretch, smooth: float, prominence: float, height: float) -> Spans:
    """``smooth`` in s, ``prominence`` in A, ``height``: where a peak's width is measured, 0 (top) to 1 (foot)."""
    x = scipy.ndimage.uniform_filter1d(s.x, max(1, round(smooth / s.step)))
    base = scipy.ndimage.percentile_filter(x, 10, max(3, round(60 / s.step)))
    y = np.concatenate(([0.0], x - base, [0.0]))
    _, found = scipy.signal.find_peaks(y, prominence=prominence, width=0.8 / s.step, rel_height=height)
    spans: Spans = []
    for k in np.argsort(-found["prominences"]):
        a, b = ((found[name][k] - 1) * s.step for name in ("left_ips", "right_ips"))
        if all(b <= c or a >= d for c, d in spans):
            spans.append((a, b))
    return _tidy(spans)


# --- as detectors ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Rival:
    """``find(stretch, settings)`` gives cuts in seconds of the stretch; ``grid`` are the settings to try."""

    name: str
    find: Callable[[Stretch, Any], Spans]
    grid: list[Any]
    step: float | None = None

    def facts(self, case: Case, settings: Settings) -> list[Fact]:
        skip, own = settings
        out: list[Fact] = []
        for s in stretches(case, self.step, skip):
            for a, b in self.find(s, own):
                start, end = s.start + round(a * SECOND), s.start + round(b * SECOND)
                out.append(Cut(case.saw, start, end, Direction.UNKNOWN, 0, 0, 0, False, None))
        return out

    def f1(self, cases: Iterable[Case], settings: Settings) -> float:
        return float(np.mean([c.mark(self.facts(c, settings)).f1 for c in cases]))

    def best(self, developing: Sequence[Case], *, told: bool) -> Settings:
        """The settings with the best mean F1."""
        tries = itertools.product([None] if told else SKIPS, self.grid)
        return max(tries, key=lambda settings: self.f1(developing, settings))


def _change_points(breaks: Callable[[NDArray[np.float64], float], list[int]]) -> Callable[[Stretch, Any], Spans]:
    def find(s: Stretch, settings: Any) -> Spans:
        weight, rise = settings
        penalty = weight * _spread(s.x) ** 2 * np.log(max(len(s.x), 3))
        return levels_above_idle(s, breaks(s.x, penalty) if len(s.x) > 6 else [len(s.x)], rise)

    return find


_CHANGE_GRID = list(itertools.product((3, 10, 30, 100, 300), (0.08, 0.15, 0.3, 0.6)))
KERNEL = Rival("ruptures KernelCPD", _change_points(kernel_breaks), _CHANGE_GRID)
PELT = Rival("ruptures Pelt", _change_points(pelt_breaks), _CHANGE_GRID, BIN_S)
PELT_TWIN = Rival("Pelt's optimum by KernelCPD", _change_points(kernel_breaks), _CHANGE_GRID, BIN_S)
"""The same optimum on the same bins as `PELT`, two hundred times as fast."""
PEAKS = Rival(
    "scipy find_peaks",
    lambda s, settings: peaks(s, *settings),
    list(itertools.product((0.3, 0.6, 1.0), (0.1, 0.2, 0.4, 0.8), (0.5, 0.7, 0.9))),
)
