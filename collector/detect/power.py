"""Motor on or off, from the current alone.

Each sample votes by how far it lies from the level that parts standstill from idle and by the time it stands for,
and no vote weighs more than one clear sample of 80 ms. A one-sided cumulative sum of the votes against the present
state (Page 1954) says when the evidence for a change is worth two clear samples, and where the change began. So one
wild sample never switches anything, a clear change is placed on its own sample, and a change hidden in noise waits
until enough samples agree. All sums are integer: chunks of any size give the same result.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

_BLOCK = 1024  # samples looked at in one go: most blocks are clear at a glance
_SPAN_US = 80_000  # a sample's vote weighs by the time it stands for, at most this: two samples of a slow box decide
_FORGETS_US = 5_000_000  # after such a silence a motor that ran may well stand: a sample that says so weighs for two


@dataclass(frozen=True, slots=True)
class Switching:
    """The motor went on or off: ``index`` is the first sample (counted from the first fed) of the new state.

    ``known`` is one after the sample that decided it.
    """

    index: int
    on: bool
    known: int = field(default=0, repr=False, compare=False)


class PowerSwitch:
    """Tells where the motor was switched on and off.

    Args:
        level_ma: current that parts standstill from idle.
        band_ma: distance from it at which one sample is clear.

    >>> switch = PowerSwitch(570, 200)
    >>> t = 100_000 * np.arange(10)
    >>> switch.feed(t, np.array([0, 10, 9000, 4000, 3000, 0, 3000, 3000, 0, 0]))
    [Switching(index=2, on=True), Switching(index=8, on=False)]
    """

    __slots__ = ("_band", "_began", "_doubt", "_level", "_need", "_newest", "_newest_ma", "count", "on")

    def __init__(self, level_ma: int, band_ma: int) -> None:
        self._level, self._band = level_ma, band_ma
        self._need = 2 * band_ma * _SPAN_US * 95 // 100_000
        self._newest: int | None = None  # time of the newest sample
        self._newest_ma = 0
        self.count = 0  # samples fed
        self.on = False
        self._doubt = 0  # the cumulative sum against the present state
        self._began = 0  # where its present excursion from zero began

    def feed(self, t: NDArray[np.int64], ma: NDArray[np.int64]) -> list[Switching]:
        """Takes more samples (µs, mA) and returns the switchings that they decide, in order."""
        found: list[Switching] = []
        if not len(t):
            return found
        low, high = int(ma.min()) - self._level, int(ma.max()) - self._level
        if not self._doubt and (low >= self._band if self.on else high <= -self._band):
            self._newest, self._newest_ma = int(t[-1]), int(ma[-1])
            self.count += len(ma)
            return found
        spans = np.empty(len(t), np.int64)
        spans[0] = _SPAN_US if self._newest is None else int(t[0]) - self._newest
        np.subtract(t[1:], t[:-1], out=spans[1:])
        silences = np.flatnonzero(spans > _FORGETS_US)
        stands = silences[ma[silences] < self._level]
        spans = np.minimum(spans, _SPAN_US) // 1000
        spans[stands] *= 2
        before = np.concatenate(([self._newest_ma], ma[:-1]))[silences]
        doubtful = silences[before > self._level - self._band]  # at standstill each report may be one of few
        self._newest, self._newest_ma = int(t[-1]), int(ma[-1])
        at = 0
        for end in [*doubtful.tolist(), len(t)]:
            for start in range(at, end, _BLOCK):
                block, span = ma[start : min(end, start + _BLOCK)], spans[start : min(end, start + _BLOCK)]
                while len(block):
                    used = self._until_switching(block, span, found)
                    block, span = block[used:], span[used:]
            if end < len(t) and not self.on:
                self._doubt = 0  # what seemed to begin before a silence did not begin there
            at = end
        return found

    def _until_switching(self, ma: NDArray[np.int64], spans: NDArray[np.int64], found: list[Switching]) -> int:
        """Takes samples up to the next switching, returns how many."""
        clear = int(ma.min()) - self._level if self.on else self._level - int(ma.max())
        if clear >= self._band and (not self._doubt or int(spans.sum()) * self._band >= self._doubt):
            self._doubt = 0
            self.count += len(ma)
            return len(ma)
        votes = np.minimum(np.maximum(ma - self._level, -self._band), self._band) * spans
        total = np.cumsum(-votes if self.on else votes)
        doubt = total - np.minimum(np.minimum.accumulate(total), -self._doubt)
        decided = doubt >= self._need
        first = int(decided.argmax())
        end = first if decided[first] else len(ma) - 1
        zeros = np.flatnonzero(doubt[: end + 1] == 0)
        if len(zeros):
            self._began = self.count + int(zeros[-1]) + 1
        elif not self._doubt:
            self._began = self.count
        self._doubt = int(doubt[end])
        self.count += end + 1
        if decided[end]:
            self.on = not self.on
            self._doubt = 0
            found.append(Switching(self._began, self.on, self.count))
        return end + 1

    @property
    def doubtful(self) -> int:
        """The first sample whose state later samples may still change (`count` if there is none)."""
        return self._began if self._doubt else self.count
