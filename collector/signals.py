"""Signals: the readings of one saw's box as arrays, and the set operations on them.

A `Trace` is a set of readings per signal, in order of time, at most one reading a microsecond and signal. Every
function here is pure: arrays in, arrays out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

SIGNALS = ("motor", "lock", "station", "door")
"""Every signal of the wire format, in the order in which `Trace` holds them."""


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """One signal: ``t`` int64 microseconds UTC, strictly increasing; ``v`` int32, same length.

    ``v`` is milliamperes for ``motor``, 0 or 1 for ``lock`` (1: locked) and ``door`` (1: closed), the station's
    number for ``station``.
    """

    t: NDArray[np.int64]
    v: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.t)

    @classmethod
    def empty(cls) -> Self:
        """No reading."""
        return cls(np.empty(0, np.int64), np.empty(0, np.int32))

    @classmethod
    def of(cls, t: Iterable[int] | NDArray[np.int64], v: Iterable[int] | NDArray[np.int32]) -> Self:
        """A series from readings in any order; of two at the same microsecond the first given is kept."""
        times = np.asarray(t if isinstance(t, np.ndarray) else list(t), np.int64)
        values = np.asarray(v if isinstance(v, np.ndarray) else list(v), np.int32)
        if len(times) > 1 and not bool((times[1:] > times[:-1]).all()):
            times, first = np.unique(times, return_index=True)
            values = values[first]
        return cls(times, values)

    def between(self, start: int, end: int) -> Series:
        """The readings with ``start <= t < end``."""
        i, j = np.searchsorted(self.t, (start, end))
        return Series(self.t[i:j], self.v[i:j])

    def same(self, other: Series) -> bool:
        """Whether both hold the same readings."""
        return np.array_equal(self.t, other.t) and np.array_equal(self.v, other.v)


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """The readings of one box, one `Series` a signal."""

    motor: Series
    lock: Series
    station: Series
    door: Series

    @classmethod
    def empty(cls) -> Self:
        """No reading at all."""
        return cls(Series.empty(), Series.empty(), Series.empty(), Series.empty())

    def series(self) -> tuple[Series, Series, Series, Series]:
        """All four series, in the order of `SIGNALS`."""
        return (self.motor, self.lock, self.station, self.door)

    def __len__(self) -> int:
        return len(self.motor.t) + len(self.lock.t) + len(self.station.t) + len(self.door.t)

    @property
    def first(self) -> int:
        """Time of the earliest reading.

        Raises:
            ValueError: the trace is empty.
        """
        return min([s.t.item(0) for s in self.series() if len(s.t)])  # a list: made some ten times for each message

    @property
    def last(self) -> int:
        """Time of the latest reading.

        Raises:
            ValueError: the trace is empty.
        """
        return max([s.t.item(-1) for s in self.series() if len(s.t)])

    def between(self, start: int, end: int) -> Trace:
        """The readings with ``start <= t < end``."""
        return Trace(*(s.between(start, end) for s in self.series()))

    def same(self, other: Trace) -> bool:
        """Whether both hold the same readings."""
        return all(a.same(b) for a, b in zip(self.series(), other.series(), strict=True))


def distinct(values: NDArray[np.int64]) -> NDArray[np.int64]:
    """The different values in increasing order; NumPy's own function loads its masked arrays for it, 1.3 MB."""
    ordered = np.sort(values)
    new = np.ones(len(ordered), np.bool_)
    new[1:] = ordered[1:] != ordered[:-1]
    return ordered[new]


def merge(traces: Iterable[Trace]) -> Trace:
    """The union of traces; where two hold a reading of one signal at the same time, the earlier trace's is kept."""
    parts = list(traces)
    if len(parts) == 1:
        return parts[0]
    columns = zip(*(p.series() for p in parts), strict=True) if parts else ()
    merged = [Series.of(np.concatenate([s.t for s in c]), np.concatenate([s.v for s in c])) for c in columns]
    return Trace(*merged) if merged else Trace.empty()


def absent(new: Series, stored: Series) -> Series:
    """Those of the readings at whose time nothing is stored."""
    if not len(new) or not len(stored):
        return new
    at = stored.t.searchsorted(new.t).clip(max=len(stored) - 1)
    missing = stored.t[at] != new.t
    return new if missing.all() else Series(new.t[missing], new.v[missing])
