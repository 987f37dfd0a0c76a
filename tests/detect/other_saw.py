"""A second, independent maker of traces with truth: plain piecewise currents, to hold the detector against.

It shares no line and no modelling choice with the room `simulator`, and was written from a list of difficulties and the wire
format alone, before the detector's inside had been read. `tell(family, seed)` plays about twenty minutes at one saw.

Seeds 0 to 1199, 3000 to 3019, 4000 to 4019 and 5000 to 5019 are for developing, the others from 1200 on for judging:
whoever works on the detector looks at the first only.

What truth means here, where the words leave room:

- A cut lasts from the first touch to the last: its ramps (0 to 0.5 s) belong to it.
- Feed pauses have the current at idle for 0.2 to 0.9 s, separate cuts have it there for 1.3 s or more; bumps last
  under 0.75 s, cuts at least 1.5 s. Nothing lies between, because nobody could say what it would be.
- Star-delta starters are for motors of 7 A full load or more (common practice, no source).
- A light cut lasts no longer than 10 s, and none comes within 2 s of spin-up, before there was a level to see.
- Every brake that can be seen stands above the highest cut, or below idle after a moment without current.
- A door visit whose ends, or the standstill before it, fell into a lost pack is unsure.
- A cut of which lost packs hide more than a fifth, or which only such a loss separates from the next, or which the
  ends of the trace cut off, is *unsure*: found or not, right either way.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from collector.facts import SECOND, Cut, Direction, DoorVisit, Fact, Gap, Run, parse_iso
from collector.signals import Series, Trace

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.random import Generator
    from numpy.typing import NDArray

FINE = 0.004
"""Seconds between two points of the underlying current, before the box averages it."""
NEAR = SECOND // 2
"""A run's and a door visit's start and end may be off by this much and still be called exact."""
SAW = "gannet"
DAY = parse_iso("2026-03-02T07:00:00Z")


@dataclass(frozen=True)
class Saw:
    """What a trace is made of. Currents in A, times in s."""

    full: float = 8.0  # full-load current
    rate: float = 10.0  # samples a second
    start: str = "direct"  # direct, star, soft
    idle: float = 0.4  # of full load
    cold: float = 0.0  # idle starts this share higher
    warm_up: float = 90.0  # its time constant
    wander: float = 0.02  # of idle
    wander_kind: str = "sine"  # sine, walk
    noise: float = 0.03
    step: float = 0.01  # resolution of the box
    heavy: tuple[float, float] = (0.12, 0.6)  # cuts above idle, of full load
    least: float = 0.4  # no heavy cut is less
    light: float = 0.0  # share of light cuts
    light_amps: float = 0.15
    ripple: float = 0.08  # noise of the wood, of the cut's height
    ramp: float = 0.3  # longest
    cut_seconds: tuple[float, float] = (1.5, 10.0)
    pause: tuple[float, float] = (3.0, 25.0)
    cuts: tuple[int, int] = (2, 12)  # in a run
    first_after: tuple[float, float] = (2.0, 10.0)
    off_after: tuple[float, float] = (2.0, 10.0)
    off: tuple[float, float] = (12.0, 70.0)
    feed_pause: float = 0.0  # share of cuts with some
    bumps: float = 0.0  # share of pauses with one
    wild: float = 0.0  # single wild samples a minute
    offset: float = 0.0
    offset_kind: str = "plain"  # plain: added; square: added as squares
    brake: str = "seen"  # seen, unseen
    brake_level: tuple[float, float] = (1.4, 3.0)  # of full load; below 1: of idle
    dead_time: tuple[float, float] = (0.1, 0.4)
    bounce: bool = False
    lost: float = 0.0  # share of packs
    holes: int = 0  # silences in mid-run
    begin: str = "off"  # off, run, on
    finish: str = "off"  # off, run
    jitter: float = 0.1  # of an interval
    sparse: bool = True  # one sample in 10 s at standstill
    doors: float = 0.4  # share of standstills with a visit
    unsafe: float = 0.3  # of those, opened before standstill


@dataclass(frozen=True)
class Told:
    """A trace, its truth, and the cuts of the truth that nobody could be sure of."""

    family: str
    seed: int
    saw: Saw
    trace: Trace
    truth: list[Fact]
    unsure: frozenset[Fact] = field(default_factory=frozenset)
    away: tuple[tuple[int, int], ...] = ()  # stretches that never arrived

    def hidden(self, start: int, end: int) -> bool:
        return any(a < end and start < b for a, b in self.away)

    @property
    def seconds(self) -> float:
        return (self.trace.last - self.trace.first) / SECOND


# --- families -------------------------------------------------------------------------------------------------


def _uniform(dice: Generator, low: float, high: float) -> float:
    return float(dice.uniform(low, high))


def _motor(saw: Saw, dice: Generator, low: float = 3.0, high: float = 20.0) -> Saw:
    return replace(saw, full=float(np.exp(dice.uniform(np.log(low), np.log(high)))))


HARD: dict[str, Callable[[Saw, Generator], Saw]] = {
    "small-motor": lambda s, d: replace(s, full=_uniform(d, 3, 4)),
    "big-motor": lambda s, d: replace(s, full=_uniform(d, 16, 20)),
    "slow-samples": lambda s, d: replace(s, rate=_uniform(d, 5, 7)),
    "fast-samples": lambda s, d: replace(s, rate=_uniform(d, 30, 50)),
    "star-delta": lambda s, _: replace(s, start="star", full=max(s.full, 7.0)),
    "soft-start": lambda s, _: replace(s, start="soft"),
    "cold": lambda s, d: replace(s, cold=0.5, warm_up=_uniform(d, 40, 150), off=(12.0, 30.0)),
    "wander": lambda s, d: replace(s, wander=0.08, wander_kind=str(d.choice(["sine", "walk"]))),
    "light": lambda s, _: replace(s, light=0.7, noise=0.05),
    "coarse": lambda s, _: replace(s, noise=0.15, step=0.1, least=0.45),
    "busy": lambda s, _: replace(
        s, cut_seconds=(6.0, 40.0), pause=(1.3, 2.5), first_after=(0.5, 1.5), off_after=(0.0, 1.0)
    ),
    "at-once": lambda s, _: replace(s, first_after=(0.5, 0.6), off_after=(0.0, 0.5), cuts=(1, 4)),
    "feed-pauses": lambda s, _: replace(s, feed_pause=0.6, cut_seconds=(3.0, 14.0)),
    "close-cuts": lambda s, _: replace(s, pause=(1.3, 1.6), cuts=(6, 25)),
    "bumps": lambda s, _: replace(s, bumps=0.8),
    "wild": lambda s, d: replace(s, wild=_uniform(d, 1, 4)),
    "offset": lambda s, d: replace(s, offset=0.3, offset_kind=str(d.choice(["plain", "square"]))),
    "brake-at-once": lambda s, _: replace(s, dead_time=(0.0, 0.0), off_after=(0.0, 2.0)),
    "brake-below-idle": lambda s, _: replace(s, brake_level=(0.4, 0.8)),
    "brake-unseen": lambda s, _: replace(s, brake="unseen"),
    "bounce": lambda s, _: replace(s, bounce=True, pause=(1.5, 8.0)),
    "lost-packs": lambda s, d: replace(s, lost=_uniform(d, 0.01, 0.06)),
    "holes": lambda s, d: replace(s, holes=int(d.integers(1, 4))),
    "in-mid-run": lambda s, d: replace(
        s, begin=str(d.choice(["run", "on"])), finish=str(d.choice(["run", "off"])), cuts=(8, 25)
    ),
    "always-sampled": lambda s, d: replace(s, sparse=False, jitter=_uniform(d, 0.1, 0.4)),
}
"""Every difficulty of the issue's list, by name: what it changes in an ordinary saw."""

_APART = (
    ("small-motor", "big-motor"),
    ("slow-samples", "fast-samples"),
    ("star-delta", "soft-start"),
    ("star-delta", "small-motor"),
    ("light", "coarse"),
    ("brake-at-once", "brake-below-idle", "brake-unseen"),
    ("busy", "close-cuts", "bounce", "feed-pauses"),
    ("at-once", "busy"),
    ("in-mid-run", "holes"),
)
"""Of each of these one only, in a mixture."""


def _ordinary(dice: Generator) -> Saw:
    saw = Saw(
        idle=_uniform(dice, 0.3, 0.5),
        ramp=_uniform(dice, 0.0, 0.5),
        ripple=float(dice.choice([0.0, 0.05, 0.15])),
        sparse=bool(dice.random() < 0.6),
    )
    return _motor(saw, dice, 4, 15)


def _mixture(dice: Generator, count: int) -> Saw:
    names = [str(n) for n in dice.permutation(list(HARD))]
    chosen: list[str] = []
    for name in names:
        if not any(name in group and set(group) & set(chosen) for group in _APART):
            chosen.append(name)
    saw = _ordinary(dice)
    for name in chosen[:count]:
        saw = HARD[name](saw, dice)
    return _fair(saw)


def _everything(dice: Generator) -> Saw:
    coarse = bool(dice.random() < 0.4)
    saw = Saw(
        rate=_uniform(dice, 5, 50), start=str(dice.choice(["direct", "star", "soft"])),
        idle=_uniform(dice, 0.3, 0.5), cold=0.5, warm_up=_uniform(dice, 40, 150), wander=0.08,
        noise=0.15 if coarse else 0.05, step=0.1 if coarse else 0.01, least=0.45, light=0.0 if coarse else 0.4,
        ripple=float(dice.choice([0.0, 0.05, 0.15])), ramp=_uniform(dice, 0, 0.5),
        cut_seconds=(1.5, 25.0), pause=(1.3, 6.0), cuts=(1, 20), first_after=(0.5, 2.0), off_after=(0.0, 1.0),
        feed_pause=0.3, bumps=0.3, wild=_uniform(dice, 0.5, 2), offset=0.3,
        offset_kind=str(dice.choice(["plain", "square"])), brake=str(dice.choice(["seen", "unseen"])),
        dead_time=(0.0, 0.3), bounce=True, lost=_uniform(dice, 0.0, 0.03), holes=int(dice.integers(0, 3)),
        jitter=0.3, sparse=bool(dice.random() < 0.5), begin=str(dice.choice(["off", "run", "on"])),
    )  # fmt: skip
    return _motor(saw, dice, low=7.0 if saw.start == "star" else 3.0)


def _fair(saw: Saw) -> Saw:
    """No cut lighter than 3 sigma of the noise, nor than what the supply and warming up do to idle in two seconds."""
    swing = saw.idle * saw.full * max(saw.wander * (0.5 if saw.wander > 0.05 else 0.25), 2 * saw.cold / saw.warm_up)
    return replace(
        saw,
        light_amps=max(0.15, 3 * saw.noise if saw.light else 0.0, swing),
        least=max(saw.least, 3 * saw.noise, 2 * swing),
    )


FAMILIES: dict[str, Callable[[Generator], Saw]] = {
    "ordinary": _ordinary,
    **{name: (lambda d, change=change: change(_ordinary(d), d)) for name, change in HARD.items()},
    "mixture-of-3": lambda d: _mixture(d, 3),
    "mixture-of-6": lambda d: _mixture(d, 6),
    "mixture-of-10": lambda d: _mixture(d, 10),
    "everything": lambda d: _fair(_everything(d)),
}
"""A saw for every family, drawn with dice. ``everything`` has all at once."""

BEYOND: dict[str, Callable[[Generator], Saw]] = {"everything-faint": _everything}
"""Told for information, held to no bar: cuts of 0.15 A on motors whose idle swings by more than that in a cut."""


# --- the story: what happened, in seconds ---------------------------------------------------------------------


@dataclass
class _Story:
    runs: list[dict[str, float]] = field(default_factory=list)
    cuts: list[dict[str, float]] = field(default_factory=list)  # with "vertical", "run"
    bumps: list[tuple[float, float, float]] = field(default_factory=list)
    lock: list[tuple[float, int]] = field(default_factory=list)
    doors: list[dict[str, float]] = field(default_factory=list)
    door: list[tuple[float, int]] = field(default_factory=list)
    end: float = 0.0


def _spin_up_seconds(saw: Saw, dice: Generator) -> float:
    low, high = {"direct": (0.4, 2.5), "star": (2.0, 6.0), "soft": (3.0, 8.0)}[saw.start]
    return _uniform(dice, low, high)


def _switch(to: list[tuple[float, int]], at: float, value: int, dice: Generator, bounce: bool) -> None:
    if bounce:
        spots = np.sort(dice.uniform(0.0, _uniform(dice, 0.02, 0.15), 2 * int(dice.integers(1, 4))))
        for k, spot in enumerate(spots):
            to.append((at + float(spot), value if k % 2 == 0 else 1 - value))
        at += float(spots[-1]) + 0.004
    to.append((at, value))


def _story(saw: Saw, dice: Generator, seconds: float) -> _Story:
    s = _Story(lock=[(0.0, 0)], door=[(0.0, 1)])
    t, locked = _uniform(dice, 5, 30), 0
    while t < seconds:
        run = {"start": t, "spun": t + _spin_up_seconds(saw, dice), "share": _uniform(dice, 0, 1)}
        at = run["spun"] + _uniform(dice, *saw.first_after)
        free_from = t - 1.0  # since when the beam may be moved
        for k in range(int(dice.integers(saw.cuts[0], saw.cuts[1] + 1))):
            vertical = int(dice.random() < (0.85 if locked else 0.35))
            if vertical != locked:
                room = at - free_from
                when = free_from + room * _uniform(dice, 0.25, 0.75)
                if saw.bounce:
                    when = min(when, at - 0.25)
                _switch(s.lock, when, vertical, dice, saw.bounce)
                locked = vertical
            is_light = dice.random() < saw.light and at - run["spun"] > 2.0
            height = (
                saw.light_amps * _uniform(dice, 1, 1.2)
                if is_light
                else max(saw.full * _uniform(dice, *saw.heavy), saw.least)
            )
            length = _uniform(dice, *saw.cut_seconds)
            if is_light:
                length = min(length, _uniform(dice, 2.0, 10.0))
            ramp = min(_uniform(dice, 0, saw.ramp), 0.3 * length)
            cut = {"start": at, "end": at + length, "height": height, "ramp": ramp, "vertical": vertical,
                   "run": len(s.runs), "pauses": 0.0, "light": is_light}  # fmt: skip
            if dice.random() < saw.feed_pause and length > 3.0:
                cut["pauses"] = 1.0 if length < 7 else float(dice.integers(1, 3))
            s.cuts.append(cut)
            if saw.bounce and dice.random() < 0.15:  # the beam shakes in mid-cut
                flick = at + length * _uniform(dice, 0.2, 0.8)
                s.lock += [(flick, 1 - locked), (flick + _uniform(dice, 0.01, 0.06), locked)]
            free_from = at = at + length
            if k < saw.cuts[1]:
                pause = _uniform(dice, *saw.pause)
                if dice.random() < saw.bumps and pause > 3.1:
                    bump = _uniform(dice, 0.1, 0.75)
                    where = at + _uniform(dice, 1.2, pause - bump - 1.1)
                    s.bumps.append((where, where + bump, max(saw.full * _uniform(dice, 0.1, 0.4), 0.15)))
                at += pause
        last = s.cuts[-1]["end"]
        s.bumps = [b for b in s.bumps if b[0] < last]
        run["off"] = last + _uniform(dice, *saw.off_after)
        run["dead"] = _uniform(dice, *saw.dead_time)
        run["brake"] = _uniform(dice, 1.2, 3.3) if saw.brake == "seen" else 0.0
        run["level"] = _uniform(dice, *saw.brake_level)
        run["stop"] = run["off"] + (run["dead"] + run["brake"] if run["brake"] else 0.0)
        s.runs.append(run)
        still = max(run["stop"], run["off"] + (0.0 if run["brake"] else 4.0))
        t = still + _uniform(dice, *saw.off)
        if dice.random() < saw.doors and t - still > 11:
            _visit(s, saw, dice, run, still, t)
    s.end = t
    return s


def _visit(s: _Story, saw: Saw, dice: Generator, run: dict[str, float], still: float, until: float) -> None:
    kind = "after"
    if dice.random() < saw.unsafe:
        kind = "running" if dice.random() < 0.3 else "stopping"
    if kind == "running":
        opened = run["off"] - min(_uniform(dice, 0.5, 3.0), 0.5 * (run["off"] - run["spun"]))
    elif kind == "stopping":
        opened = run["off"] + _uniform(dice, 0.3, 0.8)
    else:
        opened = still + _uniform(dice, 1.0, 2.5)
    closed = _uniform(dice, max(opened, still) + 3.0, until - 3.0)
    _switch(s.door, opened, 0, dice, saw.bounce)
    _switch(s.door, closed, 1, dice, saw.bounce)
    s.doors.append(
        {
            "start": opened,
            "end": closed,
            "off": run["off"],
            "stop": run["stop"],
            "kind": ("after", "stopping", "running").index(kind),
        }
    )


# --- the current ----------------------------------------------------------------------------------------------


def _wander(saw: Saw, dice: Generator, t: NDArray[np.float64]) -> NDArray[np.float64]:
    if saw.wander_kind == "sine":
        return np.sin(2 * np.pi * t / _uniform(dice, 40, 300) + _uniform(dice, 0, 6.3))
    knots = np.arange(0.0, t[-1] + 10.0, 5.0)
    walk = np.zeros(len(knots))
    for k in range(1, len(knots)):
        walk[k] = np.clip(0.97 * walk[k - 1] + dice.normal(0, 0.2), -1, 1)
    return np.interp(t, knots, walk)


def _start(saw: Saw, dice: Generator, u: NDArray[np.float64], spin: float, idle: float) -> NDArray[np.float64]:
    """The current during spin-up, ``u`` seconds after switching on."""
    full = saw.full
    if saw.start == "star":
        plateau, rest = _uniform(dice, 0.6, 0.85) * spin, 0.4 * idle
        out = np.where(u < plateau, 2.2 * full, rest)
        if dice.random() < 0.5:  # a spike as delta closes
            out = np.where(u > spin - _uniform(dice, 0.05, 0.15), _uniform(dice, 3, 5) * full, out)
        return out
    if saw.start == "soft":
        return np.where(u < 0.93 * spin, full * (0.6 + 2.4 * u / spin), idle)
    peak = _uniform(dice, 4.5, 7.5) * full
    if dice.random() < 0.5:
        return np.where(u < 0.8 * spin, peak, peak + (idle - peak) * (u - 0.8 * spin) / (0.2 * spin))
    return idle + (peak - idle) * np.exp(-6 * u / spin)


def _current(s: _Story, saw: Saw, dice: Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    t = np.arange(0.0, s.end, FINE)
    amps, running = np.zeros(len(t)), np.zeros(len(t))

    def span(a: float, b: float) -> slice:
        return slice(int(np.ceil(a / FINE)), int(np.ceil(b / FINE)))

    for run in s.runs:
        running[span(run["start"], run["off"])] = 1
    warm = 1 + saw.cold * np.exp(-np.cumsum(running) * FINE / saw.warm_up)
    idle = saw.idle * saw.full * warm * (1 + saw.wander * _wander(saw, dice, t))
    amps = np.where(running > 0, idle, 0.0)
    for run in s.runs:
        i = span(run["start"], run["spun"])
        amps[i] = _start(saw, dice, t[i] - run["start"], run["spun"] - run["start"], float(idle[i.stop]))
        run["inrush"] = float(amps[i].max())
        if run["brake"]:
            amps[span(run["off"] + run["dead"], run["stop"])] = (
                run["level"] * saw.full * (saw.idle if run["level"] < 1 else 1)
            )
    for cut in s.cuts:
        i = span(cut["start"], cut["end"])
        u = t[i]
        shape = np.ones(len(u))
        if cut["ramp"] > 0.01:
            shape = np.clip(np.minimum(u - cut["start"], cut["end"] - u) / cut["ramp"], 0, 1)
        pauses = int(cut["pauses"])
        for k in range(pauses):
            middle = cut["start"] + (cut["end"] - cut["start"]) * (k + 1) / (pauses + 1) + _uniform(dice, -0.3, 0.3)
            half = _uniform(dice, 0.1, 0.45)
            shape[np.abs(u - middle) < half] = 0
        if saw.ripple:  # wood is not even: a new height 20 times a second
            every = int(0.05 / FINE)
            rough = np.repeat(dice.normal(0, 1, len(u) // every + 1), every)[: len(u)]
            shape = shape * np.maximum(1 + saw.ripple * rough, 0.2)
        amps[i] += cut["height"] * shape
    for a, b, height in s.bumps:
        amps[span(a, b)] += height
    return t, amps


# --- the box --------------------------------------------------------------------------------------------------


def _sample_times(s: _Story, saw: Saw, dice: Generator) -> NDArray[np.float64]:
    step = 1 / saw.rate
    count = int(s.end / step) - 1
    grid = (np.arange(1, count + 1) + dice.uniform(-saw.jitter, saw.jitter, count) * 0.9) * step
    if not saw.sparse:
        return grid
    awake = np.zeros(count, bool)
    for run in s.runs:
        awake |= (grid > run["start"]) & (grid < run["stop"] + 2.0)
    tick = np.floor(grid / 10.0)
    awake[np.flatnonzero(np.diff(tick, prepend=-1.0) > 0)] = True
    return grid[awake]


def _measure(t: NDArray[np.float64], amps: NDArray[np.float64], at: NDArray[np.float64], saw: Saw,
             dice: Generator) -> NDArray[np.float64]:  # fmt: skip
    """RMS over the interval since the sample before (no more than two nominal ones), then the box's faults."""
    energy = np.concatenate(([0.0], np.cumsum(amps**2) * FINE))
    edges = np.concatenate((t, [t[-1] + FINE]))
    before = np.maximum(np.concatenate(([at[0] - 1 / saw.rate], at[:-1])), at - 2 / saw.rate)
    mean = (np.interp(at, edges, energy) - np.interp(before, edges, energy)) / np.maximum(at - before, 1e-3)
    true = np.sqrt(np.maximum(mean, 0.0))
    seen = np.hypot(true, saw.offset) if saw.offset_kind == "square" else true + saw.offset
    seen = seen + dice.normal(0, saw.noise, len(at))
    wild = np.sort(dice.integers(0, len(at), int(dice.poisson(saw.wild * (at[-1] - at[0]) / 60))))
    turns = np.flatnonzero(np.diff((true > 0.05).astype(int)))
    for k in wild[np.diff(wild, prepend=-10) > 3]:  # single ones
        if (np.abs(turns - k) < 3).any():  # beside a start or stop nobody can tell it from one
            continue
        seen[k] = 0.0 if dice.random() < 0.4 else saw.full * _uniform(dice, 2, 12)
    return np.maximum(np.round(seen / saw.step) * saw.step, 0.0)


def _state(changes: list[tuple[float, int]], at: NDArray[np.float64]) -> NDArray[np.int64]:
    times = np.array([c[0] for c in changes])
    values = np.array([c[1] for c in changes])
    return values[np.searchsorted(times, at, side="right") - 1]


def _kept(s: _Story, saw: Saw, dice: Generator) -> list[tuple[float, float]]:
    """Stretches that never arrive: lost packs of a second, and silences in mid-run."""
    packs = np.flatnonzero(dice.random(int(s.end) + 1) < saw.lost)
    away = [(float(k), k + float(dice.choice([1.0, 1.0, 2.0]))) for k in packs]
    long_runs = [r for r in s.runs if r["off"] - r["spun"] > 30]
    for _ in range(min(saw.holes, len(long_runs))):
        run = long_runs[int(dice.integers(len(long_runs)))]
        room = run["off"] - run["spun"] - 8
        length = min(_uniform(dice, 4, 60), room)
        at = run["spun"] + 4 + _uniform(dice, 0, room - length)
        away.append((at, at + length))
    away.sort()
    return away


def tell(family: str, seed: int, seconds: float = 1200.0) -> Told:
    """About ``seconds`` at one saw, with truth; the same for the same family and seed.

    Raises:
        KeyError: there is no such family.
    """
    dice = np.random.default_rng([seed, zlib.crc32(family.encode())])
    saw = (FAMILIES.get(family) or BEYOND[family])(dice)
    s = _story(saw, dice, seconds)
    t, amps = _current(s, saw, dice)
    at = _sample_times(s, saw, dice)
    seen = _measure(t, amps, at, saw, dice)
    away = _kept(s, saw, dice)
    begin, finish = _ends(s, saw, dice)

    def arrives(x: NDArray[np.float64]) -> NDArray[np.bool_]:
        ok = (x >= begin) & (x <= finish)
        for a, b in away:
            ok &= (x < a) | (x >= b)
        return ok

    beat = _beats(at)
    switches = []
    for changes in (s.lock, s.door):
        changes.sort()
        x = np.unique(np.concatenate((beat, [c[0] for c in changes])))
        x = x[arrives(x)]
        switches.append(_series(x, _state(changes, x)))
    keep = arrives(at)
    trace = Trace(_series(at[keep], np.round(seen[keep] * 1000)), switches[0], Series.empty(), switches[1])
    truth, unsure = _truth(s, saw, trace, away)
    lost = tuple((_us(a), _us(b)) for a, b in away)
    return Told(family, seed, saw, trace, truth, unsure, lost)


def _beats(at: NDArray[np.float64]) -> NDArray[np.float64]:
    """The first sample of each pack of a second: there the switches are said again."""
    return at[np.flatnonzero(np.diff(np.floor(at), prepend=-1.0) > 0)]


def _series(seconds: NDArray[np.float64], values: NDArray[np.float64] | NDArray[np.int64]) -> Series:
    return Series.of(DAY + np.round(seconds * SECOND).astype(np.int64), values.astype(np.int32))


def _ends(s: _Story, saw: Saw, dice: Generator) -> tuple[float, float]:
    begin, finish = 0.0, s.end
    if saw.begin == "run":
        begin = s.runs[0]["spun"] + 0.6 * _uniform(dice, 0.1, 0.9) * (s.runs[0]["off"] - s.runs[0]["spun"])
    elif saw.begin == "on":
        begin = s.runs[0]["start"] + 1e-3
    if saw.finish == "run" and len(s.runs) > 1:
        finish = _uniform(dice, s.runs[-1]["spun"] + 3, max(s.runs[-1]["off"] - 1, s.runs[-1]["spun"] + 4))
    return begin, finish


def _us(seconds: float) -> int:
    return DAY + round(seconds * SECOND)


def _truth(s: _Story, saw: Saw, trace: Trace, away: list[tuple[float, float]]) -> tuple[list[Fact], frozenset[Fact]]:
    first, last = trace.first, trace.last

    def hidden(a: float, b: float) -> float:
        return sum(max(0.0, min(b, y) - max(a, x)) for x, y in away)

    unsure: set[Fact] = set()
    runs = [(_us(r["start"]), _us(r["off"]), r) for r in s.runs]
    truth: list[Fact] = []
    shown = [(max(a, first), b if b <= last else None, r) for a, b, r in runs if b > first and a < last]
    for a, b, r in shown:
        count = sum(1 for c in s.cuts if s.runs[int(c["run"])] is r and _us(c["start"]) < (b or last))
        stop = round((r["stop"] - r["off"]) * SECOND) if r["brake"] and b else None
        truth.append(Run(SAW, a, b, round(r["inrush"] * 1000) if a > first else None, stop, count))
    for k, c in enumerate(s.cuts):
        a, b = _us(c["start"]), _us(c["end"])
        if b <= first or a >= last:
            continue
        level = 1000 * saw.idle * saw.full
        cut = Cut(
            SAW, max(a, first), b if b <= last else None,
            Direction.VERTICAL if c["vertical"] else Direction.HORIZONTAL,
            round(level + 1000 * c["height"]), round(level + 1000 * c["height"]), round(level), False, None,
        )  # fmt: skip
        truth.append(cut)
        near = [o for o in s.cuts[max(0, k - 1) : k + 2] if o is not c and o["run"] == c["run"]]
        crowded = any(
            hidden(*pause) > 0.0 and (pause[1] - pause[0]) - hidden(*pause) < 1.0
            for o in near
            for pause in [(min(c["end"], o["end"]), max(c["start"], o["start"]))]
        )
        cut_off = a < first or b > last
        if cut_off or crowded or hidden(c["start"], c["end"]) > 0.2 * (c["end"] - c["start"]):
            unsure.add(cut)
    for d in s.doors:
        a, b = _us(d["start"]), _us(d["end"])
        if first < a < last:
            visit = DoorVisit(SAW, a, b if b <= last else None, d["kind"] == 2, d["kind"] > 0)
            truth.append(visit)
            if (
                b > last
                or hidden(d["off"] - 0.3, d["stop"] + 0.3) > 0
                or any(hidden(x - 0.3, x + 0.3) > 0 for x in (d["start"], d["end"]))
            ):
                unsure.add(visit)
    every = np.unique(np.concatenate([x.t for x in trace.series()]))
    silences = np.flatnonzero(np.diff(every) > 15 * SECOND)
    truth += [Gap(SAW, int(every[k]), int(every[k + 1])) for k in silences]
    truth.sort(key=lambda f: f.start)
    return truth, frozenset(unsure)


# --- the score ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Score:
    """How found facts stand to the truth. ``starts`` and ``ends``: errors of the cuts' own, found less true [s]."""

    right: int
    missed: tuple[Cut, ...]
    invented: tuple[Cut, ...]
    starts: tuple[float, ...]
    ends: tuple[float, ...]
    directions: tuple[bool, ...]
    runs: tuple[str, ...]
    doors: tuple[str, ...]
    gaps: tuple[str, ...]
    brakes: tuple[str, ...]

    @property
    def f1(self) -> float:
        wrong = len(self.missed) + len(self.invented)
        return 1.0 if self.right + wrong == 0 else 2 * self.right / (2 * self.right + wrong)


def _pairs(true: Sequence[Fact], found: Sequence[Fact], end: int) -> tuple[dict[int, int], set[int]]:
    """One to one, each pair overlapping by at least half of the longer."""
    pairs: dict[int, int] = {}
    taken: set[int] = set()
    for i, a in enumerate(true):
        for j, b in enumerate(found):
            if j in taken:
                continue
            a_end, b_end = a.end or end, b.end or end
            both = min(a_end, b_end) - max(a.start, b.start)
            if both > 0 and 2 * both >= max(a_end - a.start, b_end - b.start):
                pairs[i] = j
                taken.add(j)
                break
    return pairs, taken


def _differences(true: list[Fact], found: list[Fact], end: int, told: Told) -> list[str]:
    unsure = told.unsure
    pairs, taken = _pairs(true, found, end)
    doubtful = [f for f in true if f in unsure]
    lost = [f for i, f in enumerate(true) if i not in pairs and f not in unsure]
    extra = [f for j, f in enumerate(found) if j not in taken and not _meets(f, doubtful, end)]
    extra = [f for f in extra if not isinstance(f, Run) or not _in_blind_stop(f, told)]
    return [f"missed {at(f)}" for f in lost] + [f"invented {at(f)}" for f in extra]


def _meets(fact: Fact, others: Sequence[Fact], end: int) -> bool:
    return any(min(fact.end or end, o.end or end) > max(fact.start, o.start) for o in others)


def _in_blind_stop(fact: Fact, told: Told) -> bool:
    """Whether a fact lies where a run stopped and some of the stop never arrived."""
    for run in told.truth:
        if isinstance(run, Run) and run.end is not None:
            a, b = run.end - SECOND, run.end + (run.stop_us or 0) + SECOND
            if told.hidden(a, b) and a <= fact.start and fact.end is not None and fact.end <= b + SECOND:
                return True
    return False


def at(fact: Fact) -> str:
    """Seconds from the start of the story."""
    return f"{(fact.start - DAY) / SECOND:.1f}"


def _ends_off(true: Fact, seen: Fact, told: Told) -> list[str]:
    """Ends of a run or a visit that are wrong by more than `NEAR`, where they arrived."""
    out = []
    for what in ("start", "end"):
        x, y = getattr(true, what), getattr(seen, what)
        if (x is None) != (y is None):
            out.append(f"{what} open {at(true)}")
        elif x is not None and y is not None and abs(x - y) > NEAR and not told.hidden(x - NEAR, x + NEAR):
            out.append(f"{what} off by {(y - x) / SECOND:.2f} {at(true)}")
    return out


def judge(told: Told, found: Sequence[Fact]) -> Score:
    """Hold ``found`` against the truth of ``told``."""
    end = told.trace.last

    def of(kind: type, facts: Sequence[Fact]) -> list[Fact]:
        return [f for f in facts if isinstance(f, kind)]

    true, seen = of(Cut, told.truth), of(Cut, found)
    pairs, taken = _pairs(true, seen, end)
    doubtful = [f for f in true if f in told.unsure]
    missed = [f for i, f in enumerate(true) if i not in pairs and f not in told.unsure]
    invented = [f for j, f in enumerate(seen) if j not in taken and not _meets(f, doubtful, end)]
    invented = [f for f in invented if not _in_blind_stop(f, told)]
    sure = [(true[i], seen[j]) for i, j in pairs.items() if true[i] not in told.unsure]
    starts = tuple((g.start - f.start) / SECOND for f, g in sure)
    ends = tuple((g.end - f.end) / SECOND for f, g in sure if f.end and g.end)
    doors_true, doors_seen = of(DoorVisit, told.truth), of(DoorVisit, found)
    doors = _differences(doors_true, doors_seen, end, told)
    for i, j in _pairs(doors_true, doors_seen, end)[0].items():
        f, g = doors_true[i], doors_seen[j]
        if f in told.unsure:
            continue
        doors += _ends_off(f, g, told)
        if f.before_stop != g.before_stop:
            doors.append(f"before_stop {g.before_stop} {at(f)}")
        if f.current_seen != g.current_seen and f.current_seen == f.before_stop:  # braking current: either will do
            doors.append(f"current_seen {g.current_seen} {at(f)}")
    runs_true, runs_seen = of(Run, told.truth), of(Run, found)
    runs = _differences(runs_true, runs_seen, end, told)
    brakes = []
    for i, j in _pairs(runs_true, runs_seen, end)[0].items():
        f, g = runs_true[i], runs_seen[j]
        runs += _ends_off(f, g, told)
        slow = abs((f.stop_us or 0) - (g.stop_us or 0)) > NEAR or (f.stop_us is None) != (g.stop_us is None)
        if slow and f.end and not told.hidden(f.end - SECOND, f.end + (f.stop_us or 0) + SECOND):
            brakes.append(f"stop {g.stop_us} for {f.stop_us} {at(f)}")
    return Score(
        len(sure), tuple(missed), tuple(invented), starts, ends,
        tuple(f.direction == g.direction for f, g in sure),
        tuple(runs),
        tuple(doors),
        tuple(_differences(of(Gap, told.truth), of(Gap, found), end, told)),
        tuple(brakes),
    )  # fmt: skip
