"""Dice: the many small decisions of an imaginary shop, drawn from one seeded numpy Generator.

A scalar draw from a Generator costs a microsecond or more; a day needs some ten thousand. `Dice` draws
uniform numbers by the thousand and hands them out one by one.
"""

from __future__ import annotations

import datetime as dt
import math
import zlib
from typing import TYPE_CHECKING, TypeVar

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

T = TypeVar("T")
_BLOCK = 2048


def generator(seed: int, *names: str | dt.date | int) -> np.random.Generator:
    """A Generator that depends on the seed and on every name: the same arguments, the same numbers."""
    words = [seed & 0xFFFFFFFF]
    for name in names:
        match name:
            case str():
                words.append(zlib.crc32(name.encode()))
            case dt.date():
                words.append(name.toordinal())
            case int():
                words.append(name & 0xFFFFFFFF)
    return np.random.default_rng(words)


class Dice:
    """Scalar draws from a Generator.

    >>> Dice(generator(1, "heron")).uniform(2, 3) == Dice(generator(1, "heron")).uniform(2, 3)
    True
    """

    __slots__ = ("_block", "rng")

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self._block: list[float] = []

    def random(self) -> float:
        """Uniform in [0, 1)."""
        if not self._block:
            self._block = self.rng.random(_BLOCK).tolist()
        return self._block.pop()

    def uniform(self, low: float, high: float) -> float:
        """Uniform in [low, high)."""
        return low + (high - low) * self.random()

    def skewed(self, low: float, high: float) -> float:
        """Between low and high, small values likelier: uniform in the logarithm (low > 0)."""
        return low * math.pow(high / low, self.random())

    def waiting(self, mean: float) -> float:
        """Exponential waiting time of the given mean."""
        return -mean * math.log(1.0 - self.random())

    def integer(self, low: int, high: int) -> int:
        """One of low … high, both included."""
        return low + int(self.random() * (high - low + 1))

    def chance(self, probability: float) -> bool:
        """True with the given probability."""
        return self.random() < probability

    def pick(self, options: Sequence[T]) -> T:
        """One of the options, each as likely."""
        return options[int(self.random() * len(options))]
