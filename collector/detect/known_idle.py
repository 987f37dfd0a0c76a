"""What is known of a saw's idle before a run is heard: how dear it is to take a level for idle, or for a load.

A motor that runs takes what it took at idle before, but for the supply and the sensor; more, for some minutes, if it
is cold; and something else altogether, once in a while: a clamp was moved, or a belt changed. The price of a level is
the logarithm of how much likelier, by this mixture, the usual levels are, and no more than the last of these costs.
"""

from __future__ import annotations

WRONG = 6.0  # nats: what was known of idle does not hold any more
_SUPPLY = 0.04  # share of idle by which supply and clamp make it another: standard deviation
_COLD, _COLD_MOST = 2.0, 1.6  # nats: the saw is cold, and takes up to so many times its lowest idle


class KnownIdle:
    """The levels that idle has.

    Args:
        low_ma: the lowest usual one, mA; 0: nothing is known, and everything costs nothing.
        high_ma: the highest usual one, mA.

    Attributes:
        level: the middle one, mA.
        most: a warm saw's idle is hardly ever more, mA.
    """

    __slots__ = ("_high", "_low", "level", "most")

    def __init__(self, low_ma: int, high_ma: int) -> None:
        self._low, self._high = low_ma, high_ma
        self.level = (low_ma + high_ma) / 2
        self.most = high_ma * (1 + _SUPPLY)

    def __bool__(self) -> bool:
        return self._low > 0

    def price(self, ma: float, noise: float, *, warm: bool = False) -> float:
        """Nats that it costs to take a level (mA) for idle: from 0 to `WRONG`.

        Args:
            ma: the level.
            noise: its variance, mA².
            warm: idle was seen in this run, and was not a cold saw's.
        """
        if ma <= self._high or not self._low:
            return self.price_above(ma, noise)
        price = _far(ma - self._high, self._high, noise)
        return min(price, _COLD) if ma < _COLD_MOST * self._low and not warm else price

    def price_above(self, ma: float, noise: float) -> float:
        """Nats that it costs if idle lies no higher than a level (mA): from 0 to `WRONG`."""
        return 0.0 if ma >= self._low else _far(self._low - ma, self._low, noise)

    def reaches(self, ma: float) -> bool:
        """Whether a level (mA) is no less than idle is."""
        return ma >= (1 - _SUPPLY) * self._low


def _far(away: float, idle: float, noise: float) -> float:
    return min(away * away / (2 * (_SUPPLY * _SUPPLY * idle * idle + noise)), WRONG)


UNKNOWN = KnownIdle(0, 0)
