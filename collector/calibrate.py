"""Calibration: what a short, guided trial of one saw says about its box, clamp and motor. Pure.

The person says when each step begins, so that the signal can be held against what was really done: current with the
motor off, or none while it runs, cannot be seen by a detector that has only the signal to go by.

Steps: ``off`` (motor off; move the lock and the blade door), ``idle`` (switch on, let it idle), ``cuts`` (make three
cuts), ``stop`` (switch off, wait for standstill). What an RMS reading cannot tell, the findings say.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from enum import StrEnum
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from collector.detect.detector import derive
from collector.detect.settings import DetectSettings
from collector.facts import SECOND, Cut, Fact, Run
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from collector.signals import Series, Trace

CUTS_WANTED = 3
_NOISES = 5.0  # a cut must rise above idle by so many standard deviations of a sample to be told from noise
_STEPS = 3.0  # and by so many steps of the clamp's resolution
_FLAT = 4  # so many samples on end at one highest value are a flat top
_FLAT_SHARE = 0.04  # or such a share of the samples under load
_SPIN_UP_US = 12 * SECOND
_LEAST_OFF = 3  # readings of a standstill
_LEAST_IDLE = 30
_SLOW_HZ, _FAST_HZ = 4.5, 55.0  # design.md: 5 to 50 samples a second must work
_FEW_HZ = 7.0


class Level(StrEnum):
    """How much a finding matters."""

    GOOD = "good"
    NOTE = "note"
    ATTENTION = "attention"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Amps:
    """A current in a finding [mA]; as text in English: ``3.25 A``."""

    ma: float

    def __str__(self) -> str:
        return f"{self.ma / 1000:.2f} A"


@dataclass(frozen=True, slots=True)
class Figure:
    """A number in a finding, with so many decimal places."""

    value: float
    places: int

    def __str__(self) -> str:
        return f"{self.value:.{self.places}f}"


Value = int | Amps | Figure | tuple[Amps, ...]
"""What a finding's sentence speaks of; kept apart from it, so that both can be told in the reader's language."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that the trial says.

    Attributes:
        code: for programs.
        level: how much it matters.
        said: what was seen, with the names of values in braces.
        what_to_do: about it.
        values: those of ``said``.
    """

    code: str
    level: Level
    said: str
    what_to_do: str = ""
    values: Mapping[str, Value] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """What was seen, in English."""
        return self.said.format(
            **{k: ", ".join(map(str, v)) if isinstance(v, tuple) else v for k, v in self.values.items()}
        )


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
class Calibration:
    """The outcome: what was measured, what it means, and the detector's settings that follow.

    ``settings`` holds those that must differ from the base, by the names of `DetectSettings`; None: a step is missing,
    or a fault must be mended first.
    """

    measured: Measured
    findings: tuple[Finding, ...]
    settings: dict[str, int] | None

    @property
    def sound(self) -> bool:
        """Whether nothing stands against using the box."""
        return self.settings is not None and all(f.level is not Level.FAULT for f in self.findings)


def calibrate(saw: str, trace: Trace, steps: Steps, base: DetectSettings | None = None) -> Calibration:
    """Looks at a trial, as far as it has come.

    Args:
        saw: the saw's name.
        trace: its readings from ``steps.off`` to the end of the trial or to now.
        steps: when each step began.
        base: the detector's settings so far.
    """
    base = base or DetectSettings()
    parts = _parts(trace, steps)
    measured = _switches(trace, _signal(parts))
    settings = _settings(measured, base)
    facts = derive(saw, trace, replace(base, **settings))
    measured = _from_facts(measured, facts, steps)
    findings = [*_standstill(measured, parts), *_running(measured, parts)]
    if not _blind(measured):
        findings += [*_cutting(measured, parts, steps), *_clamp_size(measured, parts)]
    findings += _stopping(measured, steps)
    findings += _switch_findings(measured)
    over = steps.end is not None and len(measured.rises_ma) > 0
    faulty = any(f.level is Level.FAULT for f in findings)
    return Calibration(measured, tuple(findings), None if faulty or not over else settings)


@dataclass(frozen=True, slots=True)
class _Parts:
    """The motor's readings of each step; empty where it has not begun."""

    off: Series
    idle: Series
    cuts: Series
    stop: Series


def _parts(trace: Trace, steps: Steps) -> _Parts:
    last = steps.end if steps.end is not None else 2**62
    edges = [steps.off, *(last if t is None else t for t in (steps.idle, steps.cuts, steps.stop)), last]
    return _Parts(*(trace.motor.between(a, b) for a, b in pairwise(edges)))


def _signal(parts: _Parts) -> Measured:
    off = parts.off.v.astype(np.float64)
    offset = int(np.median(off)) if len(off) else None
    off_noise = float(off.std()) if len(off) >= _LEAST_OFF else None
    every = np.unique(np.concatenate([p.v for p in (parts.off, parts.idle, parts.cuts)]))
    resolution = int(np.gcd.reduce(np.diff(every))) if len(every) > 2 else None
    t = np.concatenate([p.t for p in (parts.idle, parts.cuts)])
    rate, lost = _rate(t)
    settled = _settled(parts.idle)
    idle = int(np.median(settled)) if len(settled) >= _LEAST_IDLE else None
    noise = None
    if len(settled) >= _LEAST_IDLE:
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


def _blind(m: Measured) -> bool:
    """Whether the clamp reads the same with the motor on and off."""
    return m.idle_ma is not None and m.idle_ma < (m.offset_ma or 0) + max(2 * (m.noise_ma or 0.0), 150.0)


def _rate(t: NDArray[np.int64]) -> tuple[float | None, float | None]:
    """Samples a second, and the share that did not arrive, of the fast part of some samples' times."""
    if len(t) < _LEAST_IDLE:
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
    last = after if len(after) >= _LEAST_IDLE else idle.between(start, int(idle.t[-1]) + 1)
    half = last.v[len(last) // 2 :] if last is not after else last.v
    return half.astype(np.float64)


def _switches(trace: Trace, measured: Measured) -> Measured:
    moves = [int(np.count_nonzero(np.diff(series.v))) if len(series) else None for series in (trace.lock, trace.door)]
    return replace(measured, lock_moves=moves[0], door_moves=moves[1])


def _settings(m: Measured, base: DetectSettings) -> dict[str, int]:
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


def _from_facts(m: Measured, facts: list[Fact], steps: Steps) -> Measured:
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


def _standstill(m: Measured, parts: _Parts) -> list[Finding]:
    if len(parts.off) < _LEAST_OFF or m.offset_ma is None:
        text = later("Motor off: readings so far: {n}.")
        todo = later(
            "Wait: with the motor off a box may report only once in ten seconds. If none comes, it does not talk."
        )
        return [Finding("off-few", Level.NOTE, text, todo, {"n": len(parts.off)})]
    text = later("Motor off: the clamp reads {amps}, noise {noise}.")
    values = {"amps": Amps(m.offset_ma), "noise": Amps(m.off_noise_ma or 0)}
    if m.idle_ma is not None and m.offset_ma > max(0.5 * m.idle_ma, 300):
        todo = later(
            "The conductor carries current with the motor off, or the zero of the clamp is far out. Most likely the "
            "clamp is on a supply that feeds something else too. A licensed electrician puts it on a conductor between "
            "the motor's contactor and the motor."
        )
        return [Finding("current-when-off", Level.FAULT, text, todo, values)]
    if m.idle_ma is not None and m.offset_ma > max(0.25 * m.idle_ma, 150):
        todo = later("High against the idle current; have the zero set if it can be.")
        return [Finding("offset", Level.ATTENTION, text, todo, values)]
    if m.idle_ma is None and m.offset_ma > 500:
        todo = later("Is the motor really off? If it is, the clamp is on a conductor that carries something else.")
        return [Finding("current-when-off", Level.ATTENTION, text, todo, values)]
    return [Finding("off", Level.GOOD, text, values=values)]


def _running(m: Measured, parts: _Parts) -> list[Finding]:
    if not len(parts.idle):
        return []
    if m.idle_ma is None:
        text = later("Motor on: readings so far: {n}.")
        todo = later("Let it idle for half a minute; spin-up is left out.")
        return [Finding("idle-few", Level.NOTE, text, todo, {"n": len(parts.idle)})]
    noise = m.noise_ma or 0.0
    if _blind(m):
        text = later("Motor on: the clamp reads {amps}, the same as with the motor off.")
        todo = later(
            "The clamp does not see the motor. It may be open, not plugged in, on a conductor that does not feed the "
            "motor, or round the whole cable, whose currents cancel out. It belongs round one insulated conductor: a "
            "licensed electrician fits it."
        )
        return [Finding("no-current", Level.FAULT, text, todo, {"amps": Amps(m.idle_ma)})]
    idle: dict[str, Value] = {"amps": Amps(m.idle_ma), "noise": Amps(noise)}
    found = [Finding("idle", Level.GOOD, later("Idle: {amps}, noise {noise}."), values=idle)]
    if m.inrush_ma is not None:
        start: dict[str, Value] = {"amps": Amps(m.inrush_ma), "times": Figure(m.inrush_ma / m.idle_ma, 1)}
        found.append(Finding("inrush", Level.GOOD, later("Start: up to {amps}, {times} times idle."), values=start))
    return found + _sampling(m)


def _sampling(m: Measured) -> list[Finding]:
    if m.rate_hz is None:
        return []
    text = later("Samples: {n} a second.")
    values: dict[str, Value] = {"n": Figure(m.rate_hz, 1)}
    found = []
    if not _SLOW_HZ <= m.rate_hz <= _FAST_HZ:
        todo = later("Set the box to a rate from 5 to 50 a second.")
        found.append(Finding("rate", Level.FAULT if m.rate_hz < _SLOW_HZ else Level.ATTENTION, text, todo, values))
    elif m.rate_hz < _FEW_HZ:
        todo = later("It works; cuts get sharper edges from 10 a second on.")
        found.append(Finding("rate", Level.ATTENTION, text, todo, values))
    else:
        found.append(Finding("rate", Level.GOOD, text, values=values))
    if m.lost is not None and m.lost > 0.01:
        text, todo = (
            later("{n} % of the samples did not arrive."),
            later("Look at the box's network; QoS 1 must be on."),
        )
        found.append(Finding("lost", Level.ATTENTION, text, todo, {"n": Figure(100 * m.lost, 0)}))
    return found


def _cutting(m: Measured, parts: _Parts, steps: Steps) -> list[Finding]:
    if steps.cuts is None or not len(parts.cuts) or m.idle_ma is None:
        return []
    count = len(m.rises_ma)
    noise = m.noise_ma or 0.0
    rise = float(np.percentile(parts.cuts.v, 95)) - m.idle_ma
    if count == 0 and steps.stop is not None:
        text = later("Cutting: the current stays at idle, {amps}; it rises by {rise} at most.")
        if rise > 2 * noise:
            todo = later(
                "Something moves, but less than the noise lets through: see what is said about the clamp, and cut "
                "thicker material."
            )
        else:
            todo = later(
                "If three cuts were made, the clamp is on a conductor whose current does not follow the motor's load, "
                "such as that of a control transformer or a fan. A licensed electrician moves it to one of the motor's "
                "own three. If the material was very thin, try thicker."
            )
        return [Finding("no-rise", Level.FAULT, text, todo, {"amps": Amps(m.idle_ma), "rise": Amps(max(rise, 0))})]
    values: dict[str, Value] = {"n": count, "rises": tuple(Amps(r) for r in m.rises_ma)}
    if count < CUTS_WANTED:
        text = (
            later("Cutting: cuts seen so far: {n}, rising by {rises} above idle.")
            if count
            else later("Cutting: no cuts seen so far.")
        )
        if steps.stop is None:
            todo = later("Make three cuts in usual material, some seconds apart.")
            return [Finding("cuts-few", Level.NOTE, text, todo, values)]
        todo = later("Were there three? Then some rose too little to be seen; see what is said about the clamp.")
        return [Finding("cuts-few", Level.ATTENTION, text, todo, values)]
    text = later("Cutting: {n} cuts seen, rising by {rises} above idle.")
    if count > CUTS_WANTED:
        todo = later(
            "If you made three, look at them in the logbook, mark what is none, and cut again with steady feed."
        )
        return [Finding("cuts-many", Level.ATTENTION, text, todo, values)]
    return [Finding("cuts", Level.GOOD, text, values=values)]


def _clamp_size(m: Measured, parts: _Parts) -> list[Finding]:
    found = []
    coarse = _too_big(m)
    if coarse:
        found.append(coarse)
    flat = _flat_top(m, parts)
    if flat:
        found.append(flat)
    if m.rises_ma and not found:
        times = min(m.rises_ma) / max(m.noise_ma or 1, 1)
        text = later("Clamp: the smallest rise is {times} times the noise; no reading is cut off.")
        found.append(Finding("clamp", Level.GOOD, text, values={"times": Figure(times, 0)}))
    if m.idle_ma is not None and all(f.level is not Level.FAULT for f in found):
        text = later(
            "An RMS reading has no sign and no phase: which way round the clamp sits, and on which of the motor's "
            "three conductors, cannot be told from it and does not matter here."
        )
        found.append(Finding("rms", Level.NOTE, text))
    return found


def _too_big(m: Measured) -> Finding | None:
    todo = later("A clamp of a smaller range reads finer. About twice the motor's full-load current is a good range.")
    if m.rises_ma and m.noise_ma is not None:
        least, resolution = min(m.rises_ma), m.resolution_ma or 1
        if least < max(_NOISES * m.noise_ma, _STEPS * resolution):
            text = later(
                "The clamp is too big: the smallest rise of a cut, {amps}, is {times} times the noise and {steps} "
                "steps of its resolution of {resolution}; at least 5 times and 3 steps are wanted."
            )
            values: dict[str, Value] = {
                "amps": Amps(least),
                "times": Figure(least / m.noise_ma if m.noise_ma else math.inf, 1),
                "steps": Figure(least / resolution, 1),
                "resolution": Amps(resolution),
            }
            return Finding("too-big", Level.FAULT, text, todo, values)
    elif m.idle_ma is not None and m.resolution_ma is not None and m.idle_ma < 10 * m.resolution_ma:
        text = later("The clamp is too big: idle is only {n} steps of its resolution.")
        return Finding("too-big", Level.ATTENTION, text, todo, {"n": Figure(m.idle_ma / m.resolution_ma, 0)})
    return None


def _flat_top(m: Measured, parts: _Parts) -> Finding | None:
    """Readings that stop at one highest value, in the start or under load."""
    values = np.concatenate((parts.idle.v, parts.cuts.v)).astype(np.int64)
    if m.idle_ma is None or len(values) < _LEAST_IDLE:
        return None
    top = int(values.max())
    if top < 1.2 * m.idle_ma:
        if _share_at(values, top) > 0.5 and len(np.unique(values)) < 4 and top > 10 * (m.resolution_ma or 1):
            text = later("Every reading with the motor on is {amps}: the clamp is far too small and always at its end.")
            todo = later("Fit a clamp of a larger range.")
            return Finding("saturated", Level.FAULT, text, todo, {"amps": Amps(top)})
        return None
    step = max(m.resolution_ma or 1, 1)
    start, load = _longest_at(parts.idle.v, top, step), _longest_at(parts.cuts.v, top, step)
    share = _share_at(parts.cuts.v, top)
    if load >= _FLAT and (start >= _FLAT or share > _FLAT_SHARE):
        text = later("The clamp is too small: readings under load stop at {amps}, {n} on end at that very value.")
        todo = later("Cuts that draw more look alike, and wear will not be seen. Fit a clamp of a larger range.")
        return Finding("saturated", Level.FAULT, text, todo, {"amps": Amps(top), "n": load})
    if start >= _FLAT:
        text = later("The starting current has a flat top at {amps}, {n} readings on end at that very value.")
        todo = later(
            "Either the clamp ends there, which matters little while cuts stay well below, or a soft starter holds the "
            "current: an RMS reading cannot tell which. The motor's plate can."
        )
        return Finding("start-flat", Level.ATTENTION, text, todo, {"amps": Amps(top), "n": start})
    return None


def _share_at(values: NDArray[np.int64] | NDArray[np.int32], top: int) -> float:
    return float((values == top).mean()) if len(values) else 0.0


def _longest_at(values: NDArray[np.int32], top: int, step: int) -> int:
    """How many samples on end lie at the top, within half a step."""
    at = np.concatenate(([0], (values >= top - step // 2).astype(np.int8), [0]))
    edges = np.flatnonzero(np.diff(at))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def _stopping(m: Measured, steps: Steps) -> list[Finding]:
    if steps.end is None or m.idle_ma is None:
        return []
    if m.brake_us is None:
        text = later(
            "Brake: no current of it is seen. It may have none that passes the clamp; standstill is then taken as 4 s."
        )
        return [Finding("brake-unseen", Level.NOTE, text)]
    seconds = m.brake_us / SECOND
    text = later("Brake: its current is seen; the blade stood after {n} s.")
    values: dict[str, Value] = {"n": Figure(seconds, 1)}
    if seconds > 4.0:  # common practice, no source
        todo = later("Longer than the usual 4 s (common practice, no source): follow the machine's manual.")
        return [Finding("brake-slow", Level.ATTENTION, text, todo, values)]
    return [Finding("brake", Level.GOOD, text, values=values)]


def _switch_findings(m: Measured) -> list[Finding]:
    return [
        _switch(
            "lock",
            m.lock_moves,
            later("Beam lock: the box never reported its switch."),
            later("Beam lock: reported, not seen to move."),
            later("Beam lock: seen to move, times: {n}."),
            later("Lock the beam at a station and free it again."),
        ),
        _switch(
            "door",
            m.door_moves,
            later("Blade door: the box never reported its switch."),
            later("Blade door: reported, not seen to move."),
            later("Blade door: seen to move, times: {n}."),
            later("With the motor off and standing still, open the blade door and close it."),
        ),
    ]


def _switch(name: str, moves: int | None, silent: str, still: str, moved: str, deed: str) -> Finding:
    if moves is None:
        return Finding(f"{name}-silent", Level.ATTENTION, silent, later("Check its wire and the box's settings."))
    if moves == 0:
        return Finding(f"{name}-still", Level.NOTE, still, deed)
    return Finding(name, Level.GOOD, moved, values={"n": moves})
