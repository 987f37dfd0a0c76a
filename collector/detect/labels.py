"""Which stretches between steps are cuts: the most probable reading of one run.

Between two steps the current has one level. Read as *idle* it must agree with the idle before it, as far as a cold
motor and the supply let idle drift in the time between; read as *cut* it must stand above idle. Each disagreement
has a price in nats (half the squared deviation in standard deviations, never more than an unexplained jump is
worth), each cut a price for being one at all. The cheapest chain of readings wins: the Viterbi (1967) path of a
hidden semi-Markov model whose hidden state is "idle, at this level" or "in a cut that began there, above that
idle". Readings that cannot win any more are dropped, so the memory is a handful of hypotheses.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from collector.facts import SECOND

# Prices in nats. They come from simulated traces (developing seeds only); results are flat round these values.
_CUT = 5.0  # a cut begins
_LOG_LOADS = math.log(2000)  # a load may be anything within so many mA: agreeing with idle is no coincidence
_CUT_UNSEEN = 4.0  # a cut that lasts since before the first idle
_LOAD_STEP = 1.5  # the load changes inside a cut
_RIPPLE = 0.2  # a load wanders by this share of its rise
_JUMP = 13.0  # idle jumps for no known reason
_JUMP_SPIN_UP = 3.0  # ... once and upwards in spin-up: star to delta
SPIN_UP_US = 15 * SECOND
_DELTA_TIMES, _DELTA_PLAIN = 1.2, 1.4  # idle in delta over idle in star, at least, with and without a spike
_SPIKE_US = 800_000  # the changeover's spike lasts no longer
_SPIKE_TIMES, _SPIKE_CLEAR = 1.3, 2.0  # ... is so many times delta's idle, and surely one if so many
_LONG_CUT_US = 30 * SECOND  # beyond this a cut grows less probable
_LONG_CUT = 0.06 / SECOND  # ... by so much a microsecond
_UNDECIDED_US = 120 * SECOND  # readings that disagree for longer are decided for the best
_HOPELESS = 14.0  # a reading so much dearer than the best is dropped
_MOST = 6  # readings kept
_NOT_HIGHER = 12.0  # a "cut" that does not stand above idle
_LASTS = 8  # samples after which a level is one
_SMEAR = 0.2
_FAINT = 0.35  # share of a cut's rise below which the load is as good as gone
_DRIFT, _DRIFT_RATE, _DRIFT_MOST = 0.009, 0.003, 0.10  # idle wanders: share of idle at once, a second, at most


class Segment(NamedTuple):
    """What lies between two steps. Times µs, currents mA."""

    start: int  # the time of the step before it
    end: int  # the time of the step after it
    head: float  # mean of its first seconds
    head_n: int
    tail: float  # mean of its last seconds
    tail_n: int
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
    low: float  # lowest level of it that lasted, mA


class _Chain(NamedTuple):
    before: _Chain | None
    passage: Passage


class _Reading(NamedTuple):
    price: float
    cutting: Passage | None  # the passage under way (its idle is the newest known), None: idle
    idle: float | None  # newest idle level, None before the first
    idle_n: int
    idle_at: int  # when it was seen last
    level: float  # of the last segment's end,
    level_n: int  # ... from so many samples
    jumped: bool  # the one cheap jump of spin-up is used up
    chain: _Chain | None


class Labels:
    """Reads the segments of one run as idle and passages.

    Args:
        run_start: µs at which the motor was switched on.
        floor_ma: the smallest rise that can be a cut.
    """

    __slots__ = ("_floor", "_start", "readings")

    def __init__(self, run_start: int, floor_ma: float) -> None:
        self._start, self._floor = run_start, floor_ma
        self.readings = [_Reading(0.0, None, None, 0, run_start, 0.0, 1, False, None)]

    def copy(self) -> Labels:
        """An independent copy, to try out what is not certain yet."""
        twin = Labels(self._start, self._floor)
        twin.readings = self.readings
        return twin

    def add(self, s: Segment) -> None:
        """Takes the next segment."""
        if s.stepped and s.start - self._start < SPIN_UP_US:
            delta = next((r for r in self.readings if _is_changeover(r, s)), None)
            if delta is not None:
                self.readings = [_idle(delta, s, 0.0, True, delta.chain)]
                return
        grown: list[_Reading] = []
        for r in self.readings:
            grown += self._continue(r, s) if not s.stepped else self._after_step(r, s)
        grown.sort(key=lambda r: r.price)
        best = grown[0].price
        kept: list[_Reading] = []
        for r in grown[: 2 * _MOST]:
            if r.price > best + _HOPELESS or len(kept) == _MOST:
                break
            if r.cutting is None and any(k.cutting is None for k in kept):
                continue  # both idle at the same level from here on: the dearer one can never win
            kept.append(r)
        self.readings = kept

    def _continue(self, r: _Reading, s: Segment) -> list[_Reading]:
        if r.cutting is None:
            return [_idle(r, s, r.price, r.jumped, r.chain)]
        return [_under_load(r, s, r.price, r.cutting)]

    def _after_step(self, r: _Reading, s: Segment) -> list[_Reading]:
        if r.cutting is None:
            if r.idle is None:  # the first segment of the run
                unseen = Passage(s.start, s.start, 0, 0, 0, s.head, seen=False, low=s.head)
                return [_idle(r, s, r.price, False, r.chain), _under_load(r, s, r.price + _CUT_UNSEEN, unseen)]
            rise = s.head - r.idle
            price, jumped = min(_JUMP, self._mismatch(r, s)[0]), r.jumped
            if not jumped and self._may_be_delta(r, s) and price > _JUMP_SPIN_UP:
                price, jumped = _JUMP_SPIN_UP, True
            out = [_idle(r, s, r.price + price, jumped, r.chain)]
            if rise > 0:
                low = _NOT_HIGHER * max(0.0, 1 - rise / self._floor)
                passage = Passage(s.start, s.start, 0, 0, 0, r.idle, seen=True, low=s.head)
                out.append(_under_load(r, s, r.price + _CUT + low, passage))
            return out
        done = r.cutting
        base = done.low if r.idle is None else r.idle
        usual = max(self._floor, _FAINT * (done.total / max(1, done.n) - base))
        low = _NOT_HIGHER * min(1.0, max(0.0, 1 - (s.head - base) / usual))
        on = _under_load(r, s, r.price + self._load_step(r, s, base) + low, done)
        if r.idle is None:
            fell = done.low - s.head
            price = _NOT_HIGHER * max(0.0, 1 - fell / self._floor)
            done = done._replace(idle=s.head)
        else:
            far, variance = self._mismatch(r, s)
            price = min(_JUMP, far + 0.5 * math.log(2 * math.pi * variance) - _LOG_LOADS)
            done = done._replace(idle=(r.idle + s.head) / 2)
        spin_up = not done.seen and s.start - self._start < SPIN_UP_US
        chain = r.chain if spin_up else _Chain(r.chain, done._replace(end=s.start))
        return [on, _idle(r, s, r.price + price, r.jumped, chain)]

    def _may_be_delta(self, r: _Reading, s: Segment) -> bool:
        assert r.idle is not None
        return s.start - self._start < SPIN_UP_US and s.head > _DELTA_PLAIN * r.idle

    def _load_step(self, r: _Reading, s: Segment, idle: float) -> float:
        """Price of a change of load inside a cut: small ones are the rule, a large one is as likely as any."""
        ripple = _RIPPLE * max(self._floor, r.level - idle)
        variance = ripple * ripple + s.sigma * s.sigma * (1 / max(1, s.head_n) + 1 / max(1, r.level_n))
        surprise = (s.head - r.level) ** 2 / (2 * variance)
        return min(_LOAD_STEP, max(0.0, surprise))

    def _mismatch(self, r: _Reading, s: Segment) -> tuple[float, float]:
        """How far a segment lies from the idle before it (nats), and the variance of that (mA²)."""
        assert r.idle is not None
        seconds = (s.start - r.idle_at) / SECOND
        drift = r.idle * min(_DRIFT_MOST, _DRIFT + _DRIFT_RATE * seconds)
        variance = s.sigma * s.sigma * (1 / max(1, s.head_n) + 1 / max(1, r.idle_n)) + drift * drift
        smear = _SMEAR * (s.head - r.level) / (s.head_n * s.head_n)  # a sample across the step, in a short segment
        variance += smear * smear
        deviation = s.head - r.idle
        return deviation * deviation / (2 * variance), variance

    def split(self, end: int, start: int) -> None:
        """A silence: what is under way ends at ``end`` and goes on at ``start``."""
        self.readings = [_split(r, end, start) for r in self.readings]

    def settle(self, now: int) -> list[Passage]:
        """Takes out the passages on which all readings agree, or those of the best where they never will."""
        chain = self.readings[0].chain
        if any(r.chain is not chain for r in self.readings[1:]):
            firsts = [_first(r.chain) for r in self.readings]
            if now - min(p.end for p in firsts if p is not None) < _UNDECIDED_US:
                return []
            self.readings = self.readings[:1]
        if chain is None:
            return []
        self.readings = [r._replace(chain=None) for r in self.readings]
        return _passages(chain)

    def earliest(self, now: int) -> int:
        """µs before which no passage can start that is not taken out yet; ``now``: start of the open segment."""
        starts = [now]
        for r in self.readings:
            first = _first(r.chain)
            starts += [] if first is None else [first.start]
            starts += [] if r.cutting is None else [r.cutting.start]
        return min(starts)

    def best(self) -> tuple[list[Passage], Passage | None, float | None]:
        """The best reading now: passages not yet taken out, the one under way if any, the newest idle level (mA)."""
        r = self.readings[0]
        return _passages(r.chain), r.cutting, r.idle


def _is_changeover(r: _Reading, s: Segment) -> bool:
    """Whether spin-up just ended with the spike between star, where idle is low, and delta."""
    if r.idle is None or r.jumped or s.end - s.start < _SPIKE_US // 2:
        return False
    p = r.cutting
    brief = p is None or (p.seen and s.start - p.start < _SPIKE_US)
    spike = max(s.burst, 0 if p is None else p.top) / s.head
    return brief and s.head > r.idle * (_DELTA_TIMES if spike < _SPIKE_CLEAR else 1.0) and spike > _SPIKE_TIMES


def _idle(r: _Reading, s: Segment, price: float, jumped: bool, chain: _Chain | None) -> _Reading:
    return _Reading(price, None, s.tail, s.tail_n, s.end, s.tail, s.tail_n, jumped, chain)


def _under_load(r: _Reading, s: Segment, price: float, p: Passage) -> _Reading:
    before, now = (max(0, t - p.start - _LONG_CUT_US) for t in (s.start, s.end))
    low = min(p.low, s.head) if s.n >= _LASTS else p.low
    grown = Passage(p.start, s.end, p.total + s.total, p.n + s.n, max(p.top, s.top), p.idle, p.seen, low)
    return _Reading(
        price + _LONG_CUT * (now - before), grown, r.idle, r.idle_n, r.idle_at, s.tail, s.tail_n, r.jumped, r.chain
    )


def _split(r: _Reading, end: int, start: int) -> _Reading:
    if r.cutting is None:
        return r
    over = _Chain(r.chain, r.cutting._replace(end=end)) if r.cutting.n else r.chain
    return r._replace(cutting=r.cutting._replace(start=start, end=start, total=0, n=0, top=0), chain=over)


def _first(chain: _Chain | None) -> Passage | None:
    found = _passages(chain)
    return found[0] if found else None


def _passages(chain: _Chain | None) -> list[Passage]:
    found: list[Passage] = []
    while chain is not None:
        found.append(chain.passage)
        chain = chain.before
    found.reverse()
    return found
