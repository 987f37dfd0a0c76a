"""What a run is cut into: levels, the segments between steps, and the passages under load that are read from them."""

from __future__ import annotations

from typing import NamedTuple


class Level(NamedTuple):
    """A mean, mA, of ``n`` samples that span ``seconds``."""

    mean: float
    n: int
    seconds: float


class Segment(NamedTuple):
    """What lies between two steps. Times µs, currents mA."""

    start: int  # the time of the step before it
    end: int  # the time of the step after it
    head: Level  # of its first seconds
    head_brief: Level  # of the first second
    tail: Level  # of its last seconds
    tail_brief: Level  # of the last second
    total: int  # sum of its samples
    n: int
    top: int  # highest sample
    sigma: float  # noise of one sample
    burst: int  # highest raw sample near its beginning
    stepped: bool  # it begins with a step (else it only continues the segment before it)


class Passage(NamedTuple):
    """A stretch under load. ``idle`` is the level it stands on, mA; ``seen``: idle was seen before it."""

    start: int
    end: int
    total: int
    n: int
    top: int
    idle: float
    seen: bool
    low: float  # lowest level of it that lasted, mA,
    lasted: bool = False  # ... if one did
    sigma: float = 0.0  # noise of a sample
