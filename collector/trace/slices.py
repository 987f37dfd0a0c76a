"""A signal in slices of time: what is drawn of it, and what is kept of it when its readings have aged out. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Self

import numpy as np

from collector.signals import SIGNALS, Series

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from collector.signals import Trace

MINUTE_US: Final = 60_000_000
DAY_US: Final = 86_400_000_000
_SWITCHES: Final = frozenset(SIGNALS) - {"motor"}


@dataclass(frozen=True, slots=True, eq=False)
class Slices:
    """Slices that have readings, in order; int64 arrays of one length.

    ``first`` and ``last``: times of the first and the last reading [µs UTC], or the slice's bounds where a store does
    not tell them; ``low``, ``high`` and ``total``: lowest, highest and sum of the values; ``count``: of the readings.
    """

    first: NDArray[np.int64]
    last: NDArray[np.int64]
    low: NDArray[np.int64]
    high: NDArray[np.int64]
    total: NDArray[np.int64]
    count: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.first)

    @classmethod
    def of(cls, series: Series, start_us: int, width_us: int) -> Self:
        """A series in slices that begin at ``start_us`` and are ``width_us`` long."""
        if not len(series):
            return cls(*(np.empty(0, np.int64) for _ in range(6)))
        t, v = series.t, series.v.astype(np.int64)
        at = np.flatnonzero(np.diff((t - start_us) // width_us, prepend=-(2**62)))
        stop = np.append(at[1:], len(t))
        return cls(
            t[at],
            t[stop - 1],
            np.minimum.reduceat(v, at),
            np.maximum.reduceat(v, at),
            np.add.reduceat(v, at),
            stop - at,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Minutes:
    """What is kept of one signal: minutes that had readings, in order; ``t`` int64, the others int32, of one length.

    ``t``: start of the minute [µs UTC]; ``low``, ``high``; ``level``: of the motor's current the mean, rounded to whole
    mA, of a switch its last value in the minute; ``count``: of the readings.
    """

    t: NDArray[np.int64]
    low: NDArray[np.int32]
    high: NDArray[np.int32]
    level: NDArray[np.int32]
    count: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.t)

    @classmethod
    def empty(cls) -> Self:
        """None."""
        return cls(np.empty(0, np.int64), *(np.empty(0, np.int32) for _ in range(4)))

    @classmethod
    def of(cls, series: Series, signal: str) -> Self:
        """The minutes of a series."""
        if not len(series):
            return cls.empty()
        s = Slices.of(series, 0, MINUTE_US)
        level = series.v[series.t.searchsorted(s.last)] if signal in _SWITCHES else np.rint(s.total / s.count)
        columns = (s.low, s.high, level, s.count)
        return cls(s.first // MINUTE_US * MINUTE_US, *(column.astype(np.int32) for column in columns))

    def between(self, start: int, end: int) -> Minutes:
        """Those that begin in ``[start, end)``."""
        i, j = np.searchsorted(self.t, (start, end))
        return Minutes(self.t[i:j], *(column[i:j] for column in self.columns()))

    def columns(self) -> tuple[NDArray[np.int32], ...]:
        """All columns but ``t``."""
        return (self.low, self.high, self.level, self.count)

    def slices(self) -> Slices:
        """As slices, two a minute that hold the same: drawn, a minute is a step of its own length and no peak."""
        first = np.repeat(self.t, 2)
        first[1::2] += MINUTE_US - 1000
        last = np.repeat(self.t, 2) + MINUTE_US - 1
        low, high, level, count = (np.repeat(column.astype(np.int64), 2) for column in self.columns())
        return Slices(first, last, low, high, level * count, count)

    def changes(self) -> Series:
        """Of a switch: readings that have the values of each minute, at times that are right to the minute."""
        moved = self.low != self.high
        other = np.where(moved, self.low + self.high - self.level, self.level).astype(np.int32)
        quarter = MINUTE_US // 4
        t = np.concatenate((self.t + quarter, self.t[moved] + 3 * quarter))
        return Series.of(t, np.concatenate((other, self.level[moved])))

    def same(self, other: Minutes) -> bool:
        """Whether both hold the same."""
        both = zip(self.columns(), other.columns(), strict=True)
        return np.array_equal(self.t, other.t) and all(np.array_equal(a, b) for a, b in both)


def minutes_of(trace: Trace) -> dict[str, Minutes]:
    """The minutes of all signals that have readings."""
    both = zip(SIGNALS, trace.series(), strict=True)
    return {signal: Minutes.of(series, signal) for signal, series in both if len(series)}


def joined(parts: list[Minutes]) -> Minutes:
    """Minutes that follow one another."""
    if not parts:
        return Minutes.empty()
    columns = zip(*(part.columns() for part in parts), strict=True)
    return Minutes(np.concatenate([part.t for part in parts]), *map(np.concatenate, columns))


def spans(minutes: Mapping[str, Minutes]) -> tuple[int, int] | None:
    """First and last minute of all signals; None without any."""
    held = [m for m in minutes.values() if len(m)]
    return (min(int(m.t[0]) for m in held), max(int(m.t[-1]) for m in held)) if held else None
