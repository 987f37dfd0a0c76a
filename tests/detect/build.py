"""A saw's hour in a few lines: currents as a list of (seconds, amperes), switches as a list of (time, position)."""

from __future__ import annotations

import numpy as np

from collector.facts import SECOND, Fact
from collector.signals import Series, Trace

START = 1_772_434_800 * SECOND  # 2026-03-02T07:00:00Z


def at(seconds: float) -> int:
    """Microseconds of a moment in the story."""
    return START + round(seconds * SECOND)


def story(
    levels: list[tuple[float, float]],
    *,
    rate: float = 10.0,
    noise: float = 0.03,
    seed: int = 1,
    lock: list[tuple[float, int]] | None = None,
    door: list[tuple[float, int]] | None = None,
    heartbeat_s: float = 1.0,
) -> Trace:
    """A trace: the current holds each level (A) for so long (s); switches report every second and when they move."""
    edges = np.cumsum([0.0] + [s for s, _ in levels])
    t = np.arange(0, edges[-1], 1 / rate)
    amps = np.array([a for _, a in levels])[np.searchsorted(edges, t, side="right") - 1]
    amps = np.abs(amps + np.random.default_rng(seed).normal(0, noise, len(t)))
    times = START + np.rint((t + 1 / rate) * SECOND).astype(np.int64)  # a sample stands for the interval before it
    motor = Series(times, np.rint(amps * 1000).astype(np.int32))
    return Trace(motor, _switch(lock, edges[-1], heartbeat_s), Series.empty(), _switch(door, edges[-1], heartbeat_s))


def _switch(moves: list[tuple[float, int]] | None, end: float, every: float) -> Series:
    if moves is None:
        return Series.empty()
    beats = [(t, [v for m, v in moves if m <= t][-1]) for t in np.arange(moves[0][0], end, every).tolist()]
    reports = sorted({at(t): v for t, v in [*beats, *moves]}.items())
    return Series.of([t for t, _ in reports], [v for _, v in reports])


def spin_up(idle: float = 3.0) -> list[tuple[float, float]]:
    """A direct start: a second and a half of starting current, then idle for three seconds."""
    return [(0.5, idle * 12), (0.5, idle * 9), (0.5, idle * 3), (3.0, idle)]


def seconds(fact: Fact) -> tuple[float, float | None]:
    """Start and end of a fact in the story's seconds, to the hundredth."""
    end = None if fact.end is None else round((fact.end - START) / SECOND, 2)
    return round((fact.start - START) / SECOND, 2), end
