"""When a blade will be due at this shop's own pace, how long blades last, and how many must lie sharp in the rack."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

FEWEST_REMOVALS = 5
"""So many blades must have come out before a distribution is fitted to their lives."""

TURNAROUND_DAYS = 7.0
"""From taking a blade out to having it back sharp, where the shop's own times are not known (*common practice, no
source*)."""

LONGEST_DAYS = 730
_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class DaysLeft:
    """Calendar days until a limit: the median, and the range that holds eight cases in ten."""

    low: float
    median: float
    high: float


def days_left(remaining: float, daily: Sequence[float] | Floats) -> DaysLeft | None:
    """How long what remains will last, if days like those before come again.

    From each past day on, the days that followed are counted until they used up what remains (the past is repeated
    as often as that needs): weekends and slack weeks are in the answer as they were in the past.

    Args:
        remaining: cuts, minutes or metres until the limit.
        daily: what each past calendar day used, oldest first; whole weeks are best.

    Returns:
        None where the past used nothing, or where it takes more than two years.
    """
    past = np.asarray(daily, np.float64)
    if not len(past) or past.sum() <= 0:
        return None
    if remaining <= 0:
        return DaysLeft(0.0, 0.0, 0.0)
    rounds = math.ceil(remaining / float(past.sum())) + 1
    if rounds * len(past) > LONGEST_DAYS + 2 * len(past):
        return None
    used = np.concatenate(([0.0], np.cumsum(np.tile(past, rounds + 1))))
    begin = used[: len(past)]
    day = np.searchsorted(used, begin + remaining, side="left")  # the first day at whose end it is used up
    before = used[day - 1]
    part = (begin + remaining - before) / np.maximum(used[day] - before, 1e-12)
    days = day - 1 + part - np.arange(len(past))
    low, median, high = np.quantile(days, [0.1, 0.5, 0.9])
    return DaysLeft(float(low), float(median), float(high))


@dataclass(frozen=True, slots=True)
class Weibull:
    """A Weibull distribution of lives, R(t) = exp(-(t/η)^β), and how well it fits.

    Attributes:
        shape: β; above 1: blades wear out, 1: they fail by chance.
        scale: η, the life that 63 % do not reach.
        loglik: logarithm of the likelihood at the estimate.
        removals: lives that ended; ``censored``: those that still last or ended for another reason.
    """

    shape: float
    scale: float
    loglik: float
    removals: int
    censored: int

    @property
    def mean(self) -> float:
        """Expected life, η·Γ(1 + 1/β)."""
        return self.scale * math.gamma(1 + 1 / self.shape)

    def quantile(self, share: float) -> float:
        """The life that a share (0 to 1) of blades does not reach."""
        return float(self.scale * (-math.log1p(-share)) ** (1 / self.shape))


def fit_weibull(lives: Sequence[float], ended: Sequence[bool], *, fewest: int = FEWEST_REMOVALS) -> Weibull | None:
    """Maximum likelihood fit of a Weibull distribution to lives of which some still last (censored on the right).

    β solves Σ t^β·ln t / Σ t^β - 1/β = mean of ln t over the ended ones (sums over all lives); then
    η = (Σ t^β / r)^(1/β) with r ended. The left side grows with β, so the root is one and is found by bisection.
    (Meeker & Escobar 1998, Statistical Methods for Reliability Data, §8; checked against NIST e-Handbook §8.4.1.3.)

    Args:
        lives: above 0, in any unit.
        ended: whether each ended; else it lasted at least as long.
        fewest: ended lives that are needed.

    Returns:
        None where fewer ended, or where all that ended are alike: then β has no finite estimate.
    """
    t = np.asarray(lives, np.float64)
    done = np.asarray(ended, np.bool_)
    keep = t > 0
    t, done = t[keep], done[keep]
    r = int(done.sum())
    if r < fewest:
        return None
    longest = float(t.max())
    log = np.log(t / longest)  # at most 0, so that t^β cannot overflow
    mean_log = float(log[done].mean())

    def excess(beta: float) -> float:
        power = np.exp(beta * log)
        return float((power * log).sum() / power.sum()) - 1 / beta - mean_log

    low, high = 1e-3, 1.0
    while excess(high) < 0:
        high *= 2
        if high > 1e4:
            return None
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if excess(middle) < 0 else (low, middle)
    shape = (low + high) / 2
    scale = longest * float((np.exp(shape * log).sum() / r) ** (1 / shape))
    z = t / scale
    density = math.log(shape / scale) + (shape - 1) * np.log(z[done])
    loglik = float(density.sum() - (z**shape).sum())
    return Weibull(shape, scale, loglik, r, len(t) - r)


def spares(life_days: Weibull, saws: int, turnaround_days: float, *, years: float = 400.0, seed: int = 1) -> int:
    """The least number of sharp blades in the rack with which the shop runs out less than once a year.

    Each saw takes a blade out after a life drawn from the distribution; it is back, sharp, after the turnaround. The
    rack is empty when a blade comes out while all spare ones are away: when the ``n`` removals before it all lie
    within one turnaround. Simulated over ``years``, the same for the same seed.

    Args:
        life_days: lives of blades on a saw, in days.
        saws: how many saws draw on the rack.
        turnaround_days: from taking a blade out to having it back.
        years: how long to simulate.
        seed: of the random numbers.
    """
    rng = np.random.default_rng(seed)
    span = years * _YEAR
    times = []
    for _ in range(saws):
        number = int(span / life_days.mean * 1.2) + 50
        at = np.cumsum(life_days.scale * rng.weibull(life_days.shape, number))
        times.append(at[at < span])
    removals = np.sort(np.concatenate(times)) if times else np.empty(0)
    n = 1
    while n < len(removals):
        # This removal needs a blade; the rack holds none if the n removals before it are all still away.
        empty = int(np.sum(removals[n:] - removals[:-n] < turnaround_days))
        if empty < years:
            return n
        n += 1
    return n
