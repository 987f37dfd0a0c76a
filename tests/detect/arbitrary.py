"""Traces that no saw would make, and what must hold of the facts of any trace."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

from collector.facts import SECOND, Conflict, Cut, DoorVisit, Fact, Gap, Run
from collector.signals import Series, Trace

if TYPE_CHECKING:
    from numpy.random import Generator
    from numpy.typing import NDArray

    from collector.detect.detector import Detector

START = 1_772_434_800 * SECOND
_LEVELS_MA = (0, 0, 0, 300, 560, 600, 1500, 3000, 3000, 3150, 5000, 9000, 30_000)


def arbitrary_trace(seed: int, *, switches: bool = True) -> Trace:
    """A trace of some minutes from nothing but chance: levels, noise, rates, silences, single wild samples."""
    dice = np.random.default_rng([seed, 77])
    t: list[NDArray[np.int64]] = []
    v: list[NDArray[np.int64]] = []
    now = START
    rate = float(dice.choice([5, 8, 10, 10, 20, 33, 50]))
    for _ in range(int(dice.integers(1, 40))):
        if dice.random() < 0.08:
            rate = float(dice.choice([0.1, 1, 5, 10, 50, 200]))
        n = int(min(dice.exponential(60), 2 + 60 * rate)) + int(dice.integers(0, 3))
        gaps = np.rint(SECOND / rate * dice.uniform(1 - 0.3 * dice.random(), 1.3, n)).astype(np.int64)
        times = now + np.cumsum(np.maximum(gaps, 1))
        t.append(times)
        v.append(_currents(dice, n))
        now = int(times[-1]) if n else now
        if dice.random() < 0.25:
            now += round(
                SECOND * float(dice.choice([0.3, 2, 8, 14.9, 15.1, 20, 40, 89, 91, 200])) * dice.uniform(0.9, 1.1)
            )
    values = np.concatenate(v)
    wild = dice.random(len(values)) < dice.choice([0, 0, 0.002, 0.02])
    values[wild] = dice.choice([0, 20_000, 200_000, 2**31 - 1], int(wild.sum()))
    motor = Series.of(np.concatenate(t), np.maximum(values, 0).astype(np.int32))
    if dice.random() < 0.2:
        motor = _without(motor, dice, int(dice.integers(1, 6)))
    if not switches:
        return Trace(motor, Series.empty(), Series.empty(), Series.empty())
    lock, station, door = (_switch(dice, START, now, top) for top in (2, 4, 2))
    return Trace(motor, lock, station, door)


def _currents(dice: Generator, n: int) -> NDArray[np.int64]:
    kind = dice.integers(0, 8)
    level = float(dice.choice(_LEVELS_MA)) * dice.uniform(0.8, 1.2)
    if kind == 0:
        return dice.integers(0, int(dice.choice([700, 4000, 40_000])), n)
    if kind == 1:
        return np.rint(np.linspace(level, float(dice.choice(_LEVELS_MA)), n)).astype(np.int64)
    if kind == 2:
        return np.where(dice.random(n) < 0.5, level, 0).astype(np.int64)
    noise = dice.normal(0, float(dice.choice([0, 10, 50, 150, 1000])), n)
    step = int(dice.choice([1, 1, 10, 100, 1000]))
    return np.rint(np.abs(level + noise) / step).astype(np.int64) * step


def _without(s: Series, dice: Generator, holes: int) -> Series:
    keep = np.ones(len(s), bool)
    for _ in range(holes if len(s) else 0):
        i = int(dice.integers(0, len(s)))
        keep[i : i + int(dice.exponential(20))] = False
    return Series(s.t[keep], s.v[keep])


def _switch(dice: Generator, start: int, end: int, positions: int) -> Series:
    if dice.random() < 0.15:
        return Series.empty()
    moves = np.sort(dice.integers(start, max(end, start + 1), int(dice.exponential(12)) + 1))
    values = dice.integers(0, positions, len(moves))
    every = int(SECOND * dice.choice([1, 5, 10, 30, 59, 61]))
    beats = np.arange(start + int(dice.integers(0, every)), end, every)
    at = np.searchsorted(moves, beats, side="right") - 1
    series = Series.of(
        np.concatenate((moves, beats[at >= 0])), np.concatenate((values, values[at[at >= 0]])).astype(np.int32)
    )
    return _without(series, dice, int(dice.integers(0, 4)))


def parts_of(trace: Trace, places: list[int]) -> list[Trace]:
    """The trace cut at those times, parts without a reading left out."""
    edges = sorted({trace.first, *(p for p in places if trace.first < p <= trace.last), trace.last + 1})
    parts = [trace.between(a, b) for a, b in itertools.pairwise(edges)]
    return [p for p in parts if len(p)]


def order(fact: Fact) -> tuple[int, str]:
    return fact.start, fact.kind


def follow(detector: Detector, parts: list[Trace]) -> list[Fact]:
    """What somebody knows who replaces facts as `Facts` says."""
    known: dict[tuple[str, int], Fact] = {}
    for part in parts:
        detector.feed(part)
        news = detector.facts()
        known = {k: f for k, f in known.items() if k[1] < news.settled_from}
        known |= {(f.kind, f.start): f for f in news.facts}
    return sorted(known.values(), key=order)


def wrong_with(facts: list[Fact], trace: Trace) -> list[str]:
    """What is not as it must be with the facts of a trace, in words."""
    if not len(trace):
        return [f"of no reading: {f}" for f in facts]
    out = []
    first, last = trace.first, trace.last
    for f in facts:
        if f.end is not None and not f.start < f.end:
            out.append(f"no length: {f}")
        if f.start > last or (f.end or 0) > last + 10 * SECOND or f.start < first - SECOND:
            out.append(f"outside the trace {first}..{last}: {f}")
    of = {kind: [f for f in facts if isinstance(f, kind)] for kind in (Run, Cut, DoorVisit, Conflict, Gap)}
    # Two conflicts of different kinds may stand at one time: a motor that cannot start with the door open.
    whats = {f.what for f in of[Conflict]}
    alone = [of[kind] for kind in (Run, Cut, DoorVisit, Gap)]
    for some in alone + [[f for f in of[Conflict] if f.what == what] for what in sorted(whats)]:
        for a, b in itertools.pairwise(some):
            if a.end is None or a.end > b.start:
                out.append(f"overlap or open in the middle: {a} {b}")
    for c in of[Cut]:
        if not any(r.start <= c.start and (r.end is None or (c.end is not None and c.end <= r.end)) for r in of[Run]):
            out.append(f"cut outside every run: {c}")
        if not (0 < c.mean_ma <= c.peak_ma and 0 <= c.idle_ma < c.mean_ma):
            out.append(f"currents: {c}")
    for r in of[Run]:
        inside = sum(r.start <= c.start and (r.end is None or c.start < r.end) for c in of[Cut])
        if inside != r.cuts:
            out.append(f"{inside} cuts in {r}")
        if r.stop_us is not None and r.stop_us <= 0:
            out.append(f"braked for no time: {r}")
    return out
