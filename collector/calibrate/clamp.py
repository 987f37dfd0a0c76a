"""Whether the clamp is too big or too small for the motor."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from collector.calibrate.finding import Amps, Figure, Finding, Level, Value
from collector.calibrate.measured import LEAST_IDLE, Measured, Parts
from collector.words import later

if TYPE_CHECKING:
    from numpy.typing import NDArray

_NOISES = 5.0  # a cut must rise above idle by so many standard deviations of a sample to be told from noise
_STEPS = 3.0  # and by so many steps of the clamp's resolution
_FLAT = 4  # so many samples on end at one highest value are a flat top
_FLAT_SHARE = 0.04  # or such a share of the samples under load


def clamp_size(m: Measured, parts: Parts) -> list[Finding]:
    """Whether it is too big or too small, and what its readings cannot tell."""
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


def _flat_top(m: Measured, parts: Parts) -> Finding | None:
    """Readings that stop at one highest value, in the start or under load."""
    values = np.concatenate((parts.idle.v, parts.cuts.v)).astype(np.int64)
    if m.idle_ma is None or len(values) < LEAST_IDLE:
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
