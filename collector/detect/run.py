"""One run of the motor: its start, the passages under load, and how it stopped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from collector.detect.reader import Reader
from collector.detect.smooth import Smooth
from collector.detect.spin_up import SpinUp
from collector.detect.stop import PAUSE_US, fall_time, last_level, switched_off
from collector.facts import SECOND

if TYPE_CHECKING:
    from collector.detect.labels import Passage
    from collector.detect.settings import DetectSettings

Ints = NDArray[np.int64]

_RAW_US = 12 * SECOND  # raw samples kept to look at the stop
_BURST_BEFORE_US, _BURST_AFTER_US = 400_000, 300_000  # where a switching spike is sought round a step


@dataclass(frozen=True, slots=True)
class Stop:
    """How a run ended: ``end`` µs of switching off; ``brake_us`` how long the brake's current was seen, or None."""

    end: int
    brake_us: int | None


class RunTracker:
    """Follows one run from its first sample to its last.

    Args:
        settings: the detector's settings.
        start: µs at which the motor was switched on, or at which the data began.

    Attributes:
        samples: raw samples taken.
        inrush_ma: the highest current of spin-up, None before it is over.
    """

    def __init__(self, settings: DetectSettings, start: int) -> None:
        self._settings = settings
        self.start = start
        self.samples = 0
        self.inrush_ma: int | None = None
        self._spin_up = SpinUp(start)
        self._smooth = Smooth()
        self._reader: Reader | None = None  # None in spin-up
        self._raw_t = self._raw_ma = np.empty(0, np.int64)

    def feed(self, t: Ints, ma: Ints) -> list[Passage]:
        """Takes samples (µs, mA) with the motor on; returns the passages that became certain, in order."""
        self.samples += len(t)
        self._raw_t, self._raw_ma = np.concatenate((self._raw_t, t)), np.concatenate((self._raw_ma, ma))
        done = self._take(*self._smooth.feed(t, ma), last=False)
        if self._reader is not None:
            needed = min(int(self._raw_t[-1]) - _RAW_US, int(self._reader.window.t[0]))
            i = int(np.searchsorted(self._raw_t, needed))
            if 2 * i > len(self._raw_t):
                self._raw_t, self._raw_ma = self._raw_t[i:].copy(), self._raw_ma[i:].copy()
        return done

    def _take(self, t: Ints, y: Ints, *, last: bool) -> list[Passage]:
        if self._reader is None:
            rest = self._spin_up.feed(t, y, last=last)
            if rest is None:
                return []
            t, y = rest
            self.inrush_ma = _highest(self._raw_ma[self._raw_t < (t[0] if len(t) else self._raw_t[-1] + 1)])
            rate = self._smooth.rate or 10.0
            self._reader = Reader(self._settings, self.start, rate, self._smooth.inflate, self._burst, t, y)
            t, y = t[:0], y[:0]
        return self._reader.feed(t, y)

    def _burst(self, at: int) -> int:
        near = slice(*np.searchsorted(self._raw_t, (at - _BURST_BEFORE_US, at + _BURST_AFTER_US)))
        return max(self._raw_ma[near].tolist(), default=0)

    def newest(self, n: int) -> tuple[Ints, Ints]:
        """The newest n raw samples, µs and mA."""
        return self._raw_t[-n:], self._raw_ma[-n:]

    def preview(self) -> tuple[list[Passage], Passage | None]:
        """As far as the samples so far tell: the passages not returned yet, and the one under way."""
        return ([], None) if self._reader is None else self._reader.preview()

    @property
    def earliest(self) -> int:
        """µs before which no passage starts that has not been returned."""
        return self.start if self._reader is None else self._reader.earliest

    def finish(self, end: int, *, braked: bool) -> tuple[list[Passage], Stop]:
        """The current fell to nothing at ``end`` (µs), or the data ended there (not ``braked``).

        Returns:
            the remaining passages, and how the run stopped.
        """
        done = self._take(*self._smooth.feed(self._raw_t[:0], self._raw_ma[:0], last=True), last=True)
        if self._reader is None:
            return [], Stop(end, None)
        done += self._reader.settle()
        off = self._braked_from(self._reader) if braked else None
        if off is None:
            return done + self._reader.finish(end, None), Stop(end, None)
        return done + self._reader.finish(off, off), Stop(off, end - off)

    def _braked_from(self, reader: Reader) -> int | None:
        """µs at which the motor was switched off, if a brake's current followed."""
        longest = self._settings.brake_max_us
        i = int(np.searchsorted(self._raw_t, self._raw_t[-1] - longest - SECOND))
        t, ma = self._raw_t[i:], self._raw_ma[i:]
        last = last_level(t, ma, longest)
        if last is None:
            return None
        k = switched_off(t, ma, last, reader.idle_at(last.start - PAUSE_US))
        return None if k is None else fall_time(t, ma, k)


def _highest(ma: Ints) -> int | None:
    """The highest sample but for single wild ones, mA."""
    if not len(ma):
        return None
    around = np.concatenate(([0], ma, [0]))
    believable = ma[ma <= 3 * np.maximum(around[:-2], around[2:])]
    return int(believable.max() if len(believable) else ma.max())
