"""Whether a blade cuts heavier than when it was fresh: a control chart of its cuts' load.

**The figure** of a cut is the logarithm of its load, the mean current above idle, less what its duration and direction
tell. A fast feed makes a cut heavy and short, a longer cut is no heavier: the slope of log load on log duration, taken
from the saw's own cuts by direction, lies between the load itself (slope 0) and load times time (slope -1) and takes
out most of the feed. Figures further than 2.5 deviations out count as that far.

**The baseline** is the mean figure of the blade's first 200 cuts after it was sharpened. **The chart** is the
exponentially weighted moving average of the figures above it (NIST/SEMATECH e-Handbook §6.3.2.4),

    z_i = z_(i-1) + λ·(x_i - z_(i-1)),    z_0 = 0,

with one limit above, L·s_z. Cuts of one sheet resemble each other, so the variance of z is not that of independent
figures, s²·λ/(2-λ), but c times that, c = 1 + 2·Σ r_k·(1-λ)^k with the autocorrelations r_k of the saw's own figures.
The baseline's uncertainty adds to it. Where one material is cut for long, c grows and the limit widens by itself.

**λ and L** follow the design procedure of Lucas & Saccucci (Technometrics 32, 1990, 1 to 29): the smaller the shift
that matters, the smaller λ. A quarter more cutting power is some 0.3 deviations of an independent figure, for which
their best λ at an in-control run length of some thousand lies near 0.02 to 0.03. L they choose for independent
figures and a known baseline; here both are estimated, so L = 2.9 comes from simulation
(tests/bench/bench_wear.py) that holds false signals below one in 10 000 cuts: four blades' services.

**A signal is withdrawn** once 200 cuts came after it whose mean load is less than a fifth above the fresh blade's: it
was one heavy sheet then, or a blade that wears as it should and has most of its life before it. No such signal may
stand on for weeks, for whoever knows of it is not told again when the blade is dull.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from collector.outline import DIRECTIONS, OPEN

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LAMBDA = 0.03
WIDTH = 2.9
BASELINE = 200
"""Cuts after fitting that make the baseline."""
FEWEST = 120
"""Cuts of one direction that the slope on duration needs; with fewer it is 0."""
HISTORY = 3000
"""Cuts of the saw before the service from which its yardstick is made; fewer than `BASELINE` will not do."""
FLOOR_MA = 50
"""Loads below this [mA] count as this: the logarithm must not make much of a box's noise."""
CLIP = 2.5
LAGS = 60
BORNE_OUT = 200
"""Cuts that must bear a signal out; as many as the baseline has."""
HEAVY = 1.2
"""Their mean load over the fresh blade's, below which they do not: *common practice, no source*. A fifth more is hardly
worth a change of blade."""
TREND = 400
"""Cuts over which a trend is taken out before the spread is measured, so that a dulling blade does not widen it."""


@dataclass(frozen=True, slots=True)
class Cuts:
    """Cuts in order of start: start [µs UTC], duration [s], load [mA], place of the direction in `DIRECTIONS`."""

    start: NDArray[np.int64]
    seconds: Floats
    load_ma: Floats
    direction: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.start)

    @classmethod
    def of(cls, rows: NDArray[np.int64]) -> Cuts:
        """From the rows of `collector.book.blades.BladeBook.cuts`; one that still runs is left out."""
        rows = rows[rows[:, 1] < OPEN]
        seconds = np.maximum((rows[:, 1] - rows[:, 0]) / 1e6, 0.1)
        load = np.maximum(rows[:, 2] - rows[:, 3], FLOOR_MA).astype(np.float64)
        return cls(rows[:, 0], seconds, load, rows[:, 4])


@dataclass(frozen=True, slots=True, eq=False)
class Yardstick:
    """What a saw's ordinary cuts are like.

    Attributes:
        slope: of log load on log duration, by direction; shape (3,).
        level: of log load at one second, by direction; shape (3,).
        spread: robust standard deviation of the figures.
        autocorrelation: of the figures, from lag 1 until the first that is not positive, at most `LAGS`.
    """

    slope: Floats
    level: Floats
    spread: float
    autocorrelation: Floats

    def figures(self, cuts: Cuts) -> Floats:
        """The figure of each cut: natural logarithm of its load against that of an ordinary cut like it."""
        d = cuts.direction
        out: Floats = np.log(cuts.load_ma) - self.level[d] - self.slope[d] * np.log(cuts.seconds)
        return out

    def variance(self, weight: float, baseline: int) -> float:
        """Variance of z in the long run, its baseline's own included, for λ = ``weight``."""
        lags = np.arange(1, len(self.autocorrelation) + 1)
        smoothed = 1 + 2 * float(np.sum(self.autocorrelation * (1 - weight) ** lags))
        mean = 1 + 2 * float(np.sum(self.autocorrelation))
        return self.spread**2 * (max(smoothed, 1.0) * weight / (2 - weight) + max(mean, 1.0) / baseline)


def yardstick(cuts: Cuts) -> Yardstick | None:
    """What a saw's ordinary cuts are like, from some thousand of them; None if there are too few."""
    if len(cuts) < BASELINE:
        return None
    slope, level = np.zeros(len(DIRECTIONS)), np.zeros(len(DIRECTIONS))
    y, x = np.log(cuts.load_ma), np.log(cuts.seconds)
    level[:] = np.median(y)
    for d in range(len(DIRECTIONS)):
        own = cuts.direction == d
        if own.sum() >= FEWEST and np.ptp(x[own]) > 0.1:
            slope[d] = np.clip(np.polyfit(x[own], y[own], 1)[0], -1.2, 0.0)
        if own.any():
            level[d] = np.median(y[own] - slope[d] * x[own])
    plain = Yardstick(slope, level, 1.0, np.zeros(0))
    r = plain.figures(cuts)
    r = r - _trend(r)
    spread = max(1.4826 * float(np.median(np.abs(r - np.median(r)))), 0.05)
    r = np.clip(r - np.median(r), -CLIP * spread, CLIP * spread)
    total = float(np.sum(r * r)) or 1.0
    rho = np.array([float(np.sum(r[:-k] * r[k:])) / total for k in range(1, min(LAGS, len(r) - 1) + 1)])
    # The first negative one ends them: what follows is noise, and the trend taken out bends it down.
    ends = np.flatnonzero(rho <= 0)
    return Yardstick(slope, level, spread, rho[: ends[0]] if len(ends) else rho)


def _trend(r: Floats) -> Floats:
    """Moving mean over `TREND` figures, at the ends over what there is."""
    summed = np.concatenate(([0.0], np.cumsum(r)))
    i = np.arange(len(r))
    a, b = np.maximum(i - TREND // 2, 0), np.minimum(i + TREND // 2 + 1, len(r))
    out: Floats = (summed[b] - summed[a]) / (b - a)
    return out


def ewma(x: Floats, weight: float, start: float) -> Floats:
    """Exponentially weighted moving averages of ``x``: z_i = λ·x_i + (1-λ)·z_{i-1}, z_0 = ``start``.

    Example:
        >>> ewma(np.array([52.0, 47.0, 53.0]), 0.3, 50.0).round(2).tolist()
        [50.6, 49.52, 50.56]
    """
    out = np.empty(len(x))
    z = start
    for i, value in enumerate(x.tolist()):
        z += weight * (value - z)
        out[i] = z
    return out


def limits(target: float, deviation: float, weight: float, width: float) -> tuple[float, float]:
    """Lower and upper limit of an EWMA of independent figures in the long run: target ∓ L·s·√(λ/(2-λ))."""
    reach = width * deviation * (weight / (2 - weight)) ** 0.5
    return target - reach, target + reach


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """A blade's control chart since its baseline was full.

    Attributes:
        start: of each cut, microseconds UTC.
        figure: of each cut above the baseline, clipped.
        z: the moving average.
        limit: above which the blade cuts heavier than when fresh.
        spells: indices of the cuts at which the signal came on and at which it was withdrawn; None: it is still on.
    """

    start: NDArray[np.int64]
    figure: Floats
    z: Floats
    limit: float
    spells: list[tuple[int, int | None]]

    @property
    def on(self) -> NDArray[np.bool_]:
        """Whether the signal was on, for each cut."""
        out = np.zeros(len(self.z), bool)
        for begun, end in self.spells:
            out[begun:end] = True
        return out

    @property
    def seen(self) -> list[int]:
        """Indices at which the signal came on."""
        return [on for on, _ in self.spells]

    @property
    def since(self) -> int | None:
        """Index of the cut at which the signal came that is still on; None: it is off."""
        return self.spells[-1][0] if self.spells and self.spells[-1][1] is None else None

    @property
    def heavier(self) -> bool:
        """Whether the signal is on."""
        return self.since is not None

    @property
    def ratio(self) -> float | None:
        """Load of the newest `BORNE_OUT` cuts over the fresh blade's, for like cuts; None before there are any."""
        return float(np.exp(np.mean(self.figure[-BORNE_OUT:]))) if len(self.figure) else None


def chart(
    cuts: Cuts, stick: Yardstick, *, weight: float = LAMBDA, width: float = WIDTH, baseline: int = BASELINE
) -> Chart | None:
    """The chart of one service of a blade; None while the baseline is not full.

    Args:
        cuts: all cuts of the service.
        stick: of the saw.
        weight: λ.
        width: L.
        baseline: cuts in the baseline.
    """
    if len(cuts) < baseline:
        return None
    figures = stick.figures(cuts)
    reach = CLIP * stick.spread
    fresh = figures[:baseline]
    middle = float(np.median(fresh))
    centre = float(np.mean(np.clip(fresh, middle - reach, middle + reach)))
    x = np.clip(figures[baseline:] - centre, -reach, reach)
    z = ewma(x, weight, 0.0)
    limit = width * stick.variance(weight, baseline) ** 0.5
    return Chart(cuts.start[baseline:], x, z, limit, _signal(x, z, limit))


def _signal(x: Floats, z: Floats, limit: float) -> list[tuple[int, int | None]]:
    """Where the signal came on, and where the cuts after it did not bear it out; None: it is still on."""
    found: list[tuple[int, int | None]] = []
    summed = np.concatenate(([0.0], np.cumsum(x)))
    mild = np.flatnonzero(summed[BORNE_OUT:] - summed[:-BORNE_OUT] < BORNE_OUT * np.log(HEAVY)) + BORNE_OUT - 1
    on = np.flatnonzero(z > limit)
    at = -1
    while (k := int(np.searchsorted(on, at, "right"))) < len(on):
        begun = int(on[k])
        j = int(np.searchsorted(mild, begun + BORNE_OUT))
        if j == len(mild):
            return [*found, (begun, None)]
        at = int(mild[j])
        found.append((begun, at))
    return found
