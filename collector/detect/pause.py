"""The pause between switching off and the brake's current: nothing flows, for up to half a second."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Callable

    from collector.detect.stop import LastLevel

Ints = NDArray[np.int64]

PAUSE_US = 600_000  # a brake follows switching off within this time; what was before is compared with it
LEAST_US = 600_000  # a brake takes longer than this
BEYOND = 3  # so many samples after the place where the last level is seen to begin may still be before it
MORE, FAR_MORE = 1.06, 1.8  # times another: a level that is more, and one that is far more
GONE, _GONE_BRAKE = 0.4, 0.6  # with less than this share of idle, and of the brake's level, it is switched off
_LASTS_US, _SEEN_US = 50_000, 25_000  # a pause takes longer than this, and so much of it lies in samples
_IDLE_LEAST = 1 / 3  # no motor on a saw idles at less than this share of its load
_NO_WILD = 3  # so many samples in a row are not wild
_DIP, _DIP_SIGMAS = 0.9, 4.0  # a sample with some of a pause in it has less than this share of a level, but for noise
_AROUND = 5  # samples before it that tell what flowed
_SIGMAS = 3.0  # a level is another one if it differs by so much noise


def first_of_pause(
    t: Ints,
    ma: Ints,
    first: int,
    last: LastLevel,
    idle: float,
    idle_at: Callable[[int], float],
    usual_us: int,
    silent_us: int,
    *,
    clear: bool = False,
) -> int | None:
    """Index of the first sample of the pause before a last level, None if none is seen.

    The longest is it. A slow box's samples may each have only a part of it: then these few have less than flows before
    and after. One or two samples may be wild ones: they are a pause only where the current is the brake's from then on,
    and was not before.

    Args:
        t: µs of the run's last samples, the last one being the last with current.
        ma: their currents, mA.
        first: index before which no pause is sought.
        last: the run's last level.
        idle: what the motor took at idle before it, mA.
        idle_at: the idle level (mA) shortly before a time (µs).
        usual_us: a brake that little tells takes no longer.
        silent_us: how long the silence was in which the level ended; 0: it was seen to end.
        clear: only one that nothing else looks like.
    """
    later = idle_at(last.from_us)
    idles = [idle, later] if later > _IDLE_LEAST * idle else [idle]  # less is what a pause looks like
    found: list[tuple[int, int, float]] = []
    for start, end, gone in {g for i in idles for g in _candidates(t, ma, first, last, i)}:
        if end - start > 2 and np.median(ma[start + 1 : end - 1]) > GONE * min(idles):
            continue  # in all samples but the first and the last of a pause nothing flows
        lasted = int(t[-1]) - int(t[end - 1])
        if not start or lasted + silent_us < LEAST_US or _spikes(ma[end : end + 4], last.level):
            continue
        there = idle_at(int(t[start]))
        lacks = lacking(t[start - 1 : end], ma[start:end], max(1.0, min(there, last.level)))
        turns = _turns(ma, start, end, last, there)
        long = gone and end - start >= _NO_WILD and end <= last.index + BEYOND
        if lacks >= _SEEN_US and ((turns or long) if lasted <= usual_us and not clear else (turns and long)):
            found.append((lacks, start, there))
    if not found:
        return None
    _, k, there = max(found)
    if last.level < there and np.median(ma[max(0, k - _AROUND) : k]) < last.level:
        return None  # a star's dip comes after less than what follows it
    before = min(there, *idles, float(np.median(ma[max(0, k - BEYOND) : k])))
    while k > 1 and ma[k - 1] < min(_DIP * before, before - _DIP_SIGMAS * last.rough):
        k -= 1
    return k


def _candidates(t: Ints, ma: Ints, first: int, last: LastLevel, idle: float) -> list[tuple[int, int, bool]]:
    """Stretches with less than flows before and after: first index, one after the last, whether it is gone there."""
    lowest = min(idle, last.level)
    fast = int(t[last.index]) - int(t[last.index - 1]) < _LASTS_US if last.index else False
    gone = ma[first:] < min(GONE * idle, _GONE_BRAKE * last.level) - last.sensor
    less = ma[first:] < min(_DIP * lowest, lowest - _DIP_SIGMAS * last.sensor)
    whole = [(first + a, first + b, True) for a, b in _groups(gone, apart=int(fast))]  # one of many may be a noisy one
    partly = [(first + a, first + b, False) for a, b in _groups(less) if a and b - a <= BEYOND and not gone[a:b].all()]
    return whole + partly


def lacking(t: Ints, ma: Ints, level: float) -> int:
    """µs for which nothing flowed in samples, ``t[0]`` being the time of the one before; 0 if most have the level."""
    if np.median(ma) > _DIP * level:
        return 0
    span = np.minimum(np.diff(t), PAUSE_US)
    return int((span * (1 - np.minimum(1.0, ma / level) ** 2)).sum())


def _turns(ma: Ints, start: int, end: int, last: LastLevel, idle: float) -> bool:
    """Whether the current is the last level's from a stretch on, and was not before, nor is idle."""
    before = float(np.median(ma[max(0, start - _AROUND) : start]))
    after = float(np.median(ma[min(end + 1, len(ma) - 1) :][:BEYOND]))
    another = (MORE - 1) * last.level + _SIGMAS * last.sensor / _AROUND**0.5
    differs = abs(before - last.level)
    return min(differs, abs(idle - last.level)) > another and differs > 2 * abs(after - last.level)


def _spikes(ma: Ints, level: float) -> bool:
    """Whether a changeover's spike follows, which no brake makes; one wild sample is none."""
    return len(ma) > BEYOND and bool(np.partition(ma, -2)[-2] > FAR_MORE * level)


def _groups(chosen: NDArray[np.bool_], apart: int = 0) -> list[tuple[int, int]]:
    """The stretches of chosen elements, no more than so many apart in themselves: first index, one after the last."""
    turns = np.flatnonzero(np.diff(chosen.astype(np.int8), prepend=0, append=0)).tolist()
    found: list[tuple[int, int]] = []
    for start, end in zip(turns[::2], turns[1::2], strict=True):
        goes_on = found and start - found[-1][1] <= apart
        found.append((found.pop()[0] if goes_on else start, end))
    return found
