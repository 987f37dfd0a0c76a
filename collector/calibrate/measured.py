"""A trial's steps, and what its readings measure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from collector.facts import SECOND, Cut, Fact, Run

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from collector.detect.settings import DetectSettings
    from collector.signals import Series, Trace

_SPIN_UP_US = 12 * SECOND
LEAST_OFF = 3
"""So few readings of a standstill say nothing yet."""
LEAST_IDLE = 30
"""The same of the running motor."""


@dataclass(frozen=True, slots=True)
class Steps:
    """When each step began and the last ended, µs UTC; None: not yet.

    Raises:
        ValueError: they are out of order, or one is missing before another.
    """

    off: int
    idle: int | None = None
    cuts: int | None = None
    stop: int | None = None
    end: int | None = None

    def __post_init__(self) -> None:
        given = [t for t in (self.off, self.idle, self.cuts, self.stop, self.end) if t is not None]
        if given != sorted(set(given)):
            raise ValueError("the steps must follow one another: off, idle, cuts, stop, end")
        if None in (self.off, self.idle, self.cuts, self.stop)[: len(given)]:
            raise ValueError("a step is missing before another: off, idle, cuts, stop, end")


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured; currents mA, times µs, None where the step has not been or shows nothing.

    Attributes:
        offset_ma: median reading at standstill; off_noise_ma: its standard deviation.
        resolution_ma: smallest step between two readings.
        rate_hz: samples a second with the motor running; lost: share of samples that did not arrive.
        inrush_ma: highest starting current.
        idle_ma: idle current after spin-up; noise_ma: standard deviation of a sample there.
        rises_ma: by how much each cut's mean lies above idle.
        peak_ma: highest current while cutting.
        brake_us: from switching off to standstill, where the brake's current is seen.
        lock_moves, door_moves: changes of the switches in all steps; None: never reported.
    """

    offset_ma: int | None = None
    off_noise_ma: float | None = None
    resolution_ma: int | None = None
    rate_hz: float | None = None
    lost: float | None = None
    inrush_ma: int | None = None
    idle_ma: int | None = None
    noise_ma: float | None = None
    rises_ma: tuple[int, ...] = ()
    peak_ma: int | None = None
    brake_us: int | None = None
    lock_moves: int | None = None
    door_moves: int | None = None


@dataclass(frozen=True, slots=True)
class Parts:
    """The motor's readings of each step; empty where it has not begun."""

    off: Series
    idle: Series
    cuts: Series
    stop: Series


def parts_of(trace: Trace, steps: Steps) -> Parts:
    """The readings of each step."""
    last = steps.end if steps.end is not None else 2**62
    edges = [steps.off, *(last if t is None else t for t in (steps.idle, steps.cuts, steps.stop)), last]
    return Parts(*(trace.motor.between(a, b) for a, b in pairwise(edges)))


def signal(parts: Parts) -> Measured:
    """What the motor's readings measure by themselves."""
    off = parts.off.v.astype(np.float64)
    offset = int(np.median(off)) if len(off) else None
    off_noise = float(off.std()) if len(off) >= LEAST_OFF else None
    every = np.unique(np.concatenate([p.v for p in (parts.off, parts.idle, parts.cuts)]))
    resolution = int(np.gcd.reduce(np.diff(every))) if len(every) > 2 else None
    t = np.concatenate([p.t for p in (parts.idle, parts.cuts)])
    rate, lost = _rate(t)
    settled = _settled(parts.idle)
    idle = int(np.median(settled)) if len(settled) >= LEAST_IDLE else None
    noise = None
    if len(settled) >= LEAST_IDLE:
        # Differences of neighbours, so that a slow drift of idle is no noise; the median, so that a bump is none.
        noise = float(1.4826 * np.median(np.abs(np.diff(settled))) / np.sqrt(2))
        noise = max(noise, (resolution or 1) / 12**0.5)
    return Measured(
        offset,
        off_noise,
        resolution,
        rate,
        lost,
        int(parts.idle.v.max()) if len(parts.idle) else None,
        idle,
        noise,
        peak_ma=int(np.percentile(parts.cuts.v, 99.5)) if len(parts.cuts) else None,
    )


def blind(m: Measured) -> bool:
    """Whether the clamp reads the same with the motor on and off."""
    return m.idle_ma is not None and m.idle_ma < (m.offset_ma or 0) + max(2 * (m.noise_ma or 0.0), 150.0)


def _rate(t: NDArray[np.int64]) -> tuple[float | None, float | None]:
    """Samples a second, and the share that did not arrive, of the fast part of some samples' times."""
    if len(t) < LEAST_IDLE:
        return None, None
    gaps = np.diff(t)
    usual = float(np.median(gaps))
    gaps = gaps[int(np.argmax(gaps < 2 * usual)) :]  # the box slept until the motor started
    fast = gaps[gaps < 10 * SECOND]
    missing = float(np.maximum(np.rint(fast / usual) - 1, 0).sum())
    return SECOND / usual, missing / (len(fast) + 1 + missing)


def _settled(idle: Series) -> NDArray[np.float64]:
    """The samples of the idle step after spin-up: the part after which the current changes no more."""
    if not len(idle):
        return np.empty(0)
    on = idle.v >= 0.3 * np.median(idle.v)
    if not on.any():
        return np.empty(0)
    start = int(idle.t[int(np.argmax(on))])
    after = idle.between(start + _SPIN_UP_US, int(idle.t[-1]) + 1)
    last = after if len(after) >= LEAST_IDLE else idle.between(start, int(idle.t[-1]) + 1)
    half = last.v[len(last) // 2 :] if last is not after else last.v
    return half.astype(np.float64)


def switches(trace: Trace, measured: Measured) -> Measured:
    """The same, with how often lock and door moved."""
    moves = [int(np.count_nonzero(np.diff(series.v))) if len(series) else None for series in (trace.lock, trace.door)]
    return replace(measured, lock_moves=moves[0], door_moves=moves[1])


def settings_of(m: Measured, base: DetectSettings) -> dict[str, int]:
    """The threshold that parts standstill from idle, if the usual one does not do so with room on both sides."""
    if m.offset_ma is None or m.idle_ma is None:
        return {}
    still = m.offset_ma + 4 * (m.off_noise_ma or 0.0)
    idle = 0.7 * m.idle_ma  # a warm saw idles lower than the cold one of a trial, and the supply wanders
    low, high = base.on_ma - base.on_band_ma, base.on_ma + base.on_band_ma
    if still < low and idle > high:
        return {}
    middle = round((still + idle) / 2)
    return {"on_ma": max(1, middle), "on_band_ma": max(1, round(abs(idle - still) / 4))}


def with_facts(m: Measured, facts: list[Fact], steps: Steps) -> Measured:
    """The same, with what the detector found in the trial."""
    cuts = [f for f in facts if isinstance(f, Cut) and f.end is not None]
    cuts = [c for c in cuts if steps.cuts is not None and c.start >= steps.cuts - 2 * SECOND]
    runs = [f for f in facts if isinstance(f, Run)]
    inrush = [r.inrush_ma for r in runs if r.inrush_ma is not None]
    stops = [r.stop_us for r in runs if r.stop_us is not None]
    return replace(
        m,
        rises_ma=tuple(c.mean_ma - c.idle_ma for c in cuts),
        inrush_ma=inrush[-1] if inrush else m.inrush_ma,
        brake_us=stops[-1] if stops else None,
    )
