"""The motor current of a script as an exact curve, and its RMS over any intervals.

The square of the current is kept as a piecewise linear function of time, so that its integral is known in
closed form and a sample is what a clamp would report: the root of the mean square over the interval since the
sample before. An edge that falls inside an interval therefore comes out as a partial sample, at any rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simulator.motor import EDGE_S, Floats, Motor

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from simulator.script import MotorRun, Script

_SLOW_S = 1.0  # between knots where nothing but temperature and supply change


@dataclass(frozen=True, slots=True, eq=False)
class Current:
    """Square of a current [A²] as a piecewise linear function of time.

    By its knots: times ``t`` [s], values ``square`` [A²], half the slope after each [A²/s], integral up to
    each [A²s].
    """

    t: Floats
    square: Floats
    half_slope: Floats
    integral: Floats

    @classmethod
    def of(cls, t: Floats, square: Floats) -> Current:
        """The curve through the knots, zero (the first and last value) outside."""
        d = np.diff(t)
        steps = 0.5 * (square[1:] + square[:-1]) * d
        half_slope = 0.5 * np.diff(square, append=square[-1]) / np.append(d, 1.0)
        return cls(t, square, half_slope, np.concatenate(([0.0], np.cumsum(steps))))

    def energy(self, when: Floats) -> Floats:
        """Integral of the square from the first knot to each time [A²s]; ``when`` is best in order."""
        i = np.searchsorted(self.t, when, side="right") - 1
        np.maximum(i, 0, out=i)
        d = when - self.t[i]
        out: Floats = self.half_slope[i]
        out *= d
        out += self.square[i]
        out *= d
        out += self.integral[i]
        return out

    def rms(self, start: Floats, end: Floats) -> Floats:
        """RMS current over each interval [A]."""
        out: Floats = np.sqrt(np.maximum(self.energy(end) - self.energy(start), 0.0) / (end - start))
        return out

    def rms_since_before(self, when: Floats, first_since: float) -> Floats:
        """RMS current at times in order, each over the interval since the time before [A]."""
        energy = self.energy(when)
        before = float(self.energy(np.array([first_since]))[0])
        spent = np.empty_like(energy)
        np.subtract(energy[1:], energy[:-1], out=spent[1:])
        spent[0] = energy[0] - before
        np.maximum(spent, 0.0, out=spent)
        spent[1:] /= when[1:] - when[:-1]
        spent[0] /= when[0] - first_since
        return np.sqrt(spent, out=spent)

    def at(self, when: Floats) -> Floats:
        """The current itself [A]."""
        out: Floats = np.sqrt(np.interp(when, self.t, self.square))
        return out


def ragged(counts: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """For groups of the given sizes, one behind the other: each element's group, and its index within it."""
    group = np.repeat(np.arange(len(counts)), counts)
    return group, np.arange(len(group)) - np.repeat(np.cumsum(counts) - counts, counts)


def _every(start: Floats, end: Floats, step: Floats) -> tuple[Floats, NDArray[np.int64]]:
    """Times a step apart from each start (excluded) to before each end, and the group of each."""
    group, index = ragged(np.maximum(np.ceil((end - start) / step).astype(np.int64) - 1, 0))
    return start[group] + (index + 1) * step[group], group


def supply(rng: np.random.Generator, seconds: float, wander: float) -> tuple[Floats, Floats]:
    """Idle current's factor with the supply voltage, within ±``wander``, second by second.

    It wanders over minutes, steps by up to an eighth of the range when a neighbour's machine starts or stops,
    and flickers.
    """
    t = np.arange(-2.0, seconds + 3.0)
    coarse = np.arange(-2.0, seconds + 33.0, 30.0)
    slow = np.convolve(rng.standard_normal(len(coarse) + 19), np.ones(20) / 20**0.5, mode="valid")
    deviation = 0.5 * np.interp(t, coarse, slow)
    steps = np.sort(rng.integers(0, len(t), max(1, int(seconds / 240))))
    heights = rng.uniform(-0.125, 0.125, len(steps) + 1)
    deviation += np.repeat(heights, np.diff(steps, prepend=0, append=len(t)))
    deviation += 0.03 * rng.standard_normal(len(t), np.float32)
    np.clip(deviation, -1.0, 1.0, out=deviation)
    return t, 1.0 + wander * deviation


def idle_amps(
    motor: Motor, runs: list[MotorRun], supply_curve: tuple[Floats, Floats], when: Floats, warm: float
) -> Floats:
    """What the motor would idle at [A] at times within its runs."""
    on = np.array([r.on for r in runs])
    k = np.clip(np.searchsorted(on, when, side="right") - 1, 0, len(on) - 1)
    cold = 1.0 - np.array(motor.warmth([(r.on, r.off) for r in runs], warm))
    coldness = cold[k] * np.exp(-(when - on[k]) / motor.warm_s)
    out: Floats = np.sqrt(motor.squared(np.zeros(len(when)), coldness, np.interp(when, *supply_curve)))
    return out


def _extras(motor: Motor, runs: list[MotorRun], cold: list[float]) -> tuple[Floats, Floats]:
    """What starting and braking add to the square of the running current, piecewise linear."""
    ts: list[Floats] = []
    xs: list[Floats] = []
    for run, coldness in zip(runs, cold, strict=True):
        t, x = motor.start_excess(run.start, coldness)
        keep = t < run.off - run.on
        ts += [run.on + t[keep], np.array([run.off])]
        xs += [x[keep], np.array([float(np.interp(run.off - run.on, t, x, right=0.0))])]
        t, x = motor.brake_squared(run.brake)
        ts += [np.array([run.off + EDGE_S / 2]), run.off + t]
        xs += [np.zeros(1), x]
    return np.concatenate(ts), np.concatenate(xs)


def current_of(
    script: Script,
    motor: Motor,
    rng: np.random.Generator,
    supply_curve: tuple[Floats, Floats],
    warm: float = 0.0,
) -> Current:
    """The current that a script makes a motor draw.

    Args:
        script: runs and passages, passages within runs.
        motor: the motor.
        rng: for the ripple of the cuts.
        supply_curve: times [s] and the idle current's factor there, from `supply`.
        warm: warmth at the script's first start (0 cold … 1 warm).
    """
    if not script.runs:
        return Current.of(np.array([0.0, script.seconds]), np.zeros(2))
    on = np.array([r.on for r in script.runs])
    off = np.array([r.off for r in script.runs])
    cold = [1.0 - w for w in motor.warmth([(r.on, r.off) for r in script.runs], warm)]
    extra_t, extra = _extras(motor, script.runs, cold)
    slow, _ = _every(on, off, np.full(len(on), _SLOW_S))
    parts = [np.array([on[0] - 1.0]), on, on + EDGE_S, off, off + EDGE_S, extra_t, slow]

    load_t = load = ripple_t = ripple = np.zeros(1)
    if script.passages:
        points = sorted(point for p in script.passages for point in p.points)
        load_t, load = np.array(points).T
        start = np.array([p.start for p in script.passages])
        end = np.array([p.end for p in script.passages])
        ripple_t, group = _every(start, end, np.array([p.grain_s for p in script.passages]) / 2)
        white = rng.standard_normal(len(ripple_t) + 2)
        ripple = 0.62 * (white[:-2] + white[1:-1] + 0.5 * white[2:])
        ripple *= np.array([p.ripple for p in script.passages])[group]
        parts += [load_t, ripple_t]
    t = np.unique(np.concatenate(parts))

    edges = np.empty(2 * len(on))
    edges[0::2], edges[1::2] = on, off
    segment = np.searchsorted(edges, t)  # side left: a run covers on < t <= off
    powered = (segment & 1).astype(bool)
    k = np.maximum(segment - 1, 0) // 2
    coldness = np.array(cold)[k] * np.exp(-np.maximum(t - on[k], 0.0) / motor.warm_s)
    amps = np.interp(t, load_t, load)
    if len(ripple_t):
        amps *= np.maximum(1.0 + np.interp(t, ripple_t, ripple), 0.1)
    square = np.where(powered, motor.squared(amps, coldness, np.interp(t, *supply_curve)), 0.0)
    square = np.maximum(square + np.interp(t, extra_t, extra), 0.0)
    square[-1] = 0.0
    return Current.of(t, square)
