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

from collector.detect.known_idle import UNKNOWN, WRONG, KnownIdle
from collector.detect.segments import Level, Passage, Segment
from collector.facts import SECOND

# Prices in nats, chosen on simulated traces of developing seeds; the judging seeds only tell how well.
_CUT = 5.0  # a cut begins
_LOG_LOADS = math.log(2000)  # a load may be anything within so many mA: agreeing with idle is no coincidence
_CUT_UNSEEN = 4.0  # a cut that lasts since before the first idle
_LOAD_STEP = 1.5  # the load changes inside a cut
_RIPPLE = 0.2  # a load wanders by this share of its rise
_JUMP = 13.0  # idle jumps for no known reason
_JUMP_SPIN_UP = 1.5  # ... once and upwards in spin-up: star to delta
_CUT_OR_DELTA = 3.0  # a first cut that could be delta instead must come back to where it began
SPIN_UP_US = 15 * SECOND
_TAIL_US, _TAIL = 1_500_000, 0.3  # the end of spin-up lasts no longer, no more than so much above idle
_DEGREES_US = 1_200_000  # ... and comes down by degrees for so long
_STAR_US = 10 * SECOND  # star lasts no longer
_DELTA_TIMES, _DELTA_PLAIN, _DELTA_MOST = 1.2, 1.4, 3.6  # idle in delta over idle in star: with a spike, without one
_DELTA_KNOWN = 1.0  # ... nats by which it is likelier to be idle,
_DELTA_COLD = 1.45  # ... no more times what is idle by all that is known
_SPIKE_US = 800_000  # the changeover's spike lasts no longer
_SPIKE_TIMES, _SPIKE_CLEAR = 1.3, 2.0  # ... is so many times delta's idle, and surely one if so many
LONG_CUT_US = 30 * SECOND  # beyond this a cut grows less probable
_LONG_CUT = 0.06 / SECOND  # ... by so much a microsecond
_LONGEST_CUT_US = 60 * SECOND  # the longest sheet at a slow feed takes about as long (common practice, no source)
_LONGEST_CUT = 0.5 / SECOND
_UNDECIDED_US = 120 * SECOND  # readings that disagree for longer are decided for the best
_HOPELESS = 14.0  # a reading so much dearer than the best is dropped
_MOST = 6  # readings kept
_NOT_HIGHER = 12.0  # a "cut" that does not stand above idle
LASTS = 8  # samples after which a level is one
_SMEAR = 0.2  # share of a step by which the sample across it shifts the mean of one sample
_RAMP, _FEW = 0.1, 4  # ... and a ramp the level of so few
_FAINT = 0.35  # share of a cut's rise below which the load is as good as gone
_TIMES, _MANY_TIMES = 3.0, 3.0  # a load so many times the last is rare: so many nats for each factor e beyond
_DROP, _STAR = 0.3, 5.0
_FAR_BELOW = 0.7  # of what was taken for idle
_COMES_BACK, _FALLS = 2.5, 0.2  # a level inside a cut that comes back exactly, from so much more (share of its rise)
_LEAST_SIGMAS = 1.0  # the smallest rise that can be a cut, in standard deviations of a sample
_COLD_RATE, _COLD_S = 0.003, 80.0  # share of idle a second by which it falls at first, and for about how long, s
_DRIFT, _DRIFT_RATE, _DRIFT_MOST = 0.003, 0.004, 0.10  # idle wanders: share of idle at once, a second, at most


class _Chain(NamedTuple):
    before: _Chain | None
    passage: Passage
    first: Passage  # of the whole chain


class _Reading(NamedTuple):
    price: float
    cutting: Passage | None  # the passage under way (its idle is the newest known), None: idle
    idle: Level | None  # newest idle level, None before the first
    idle_brief: Level | None
    idle_at: int  # when it was seen last
    level: Level  # of the last segment's end
    jumped: bool  # the one cheap jump of spin-up is used up
    known: KnownIdle  # what idle is known to be, by this reading
    chain: _Chain | None


class _Option(NamedTuple):
    """One way to go on from a reading; the readings of those that are too dear are never made."""

    price: float
    of: _Reading
    load: Passage | None  # the passage that the segment belongs to, None: idle
    done: Passage | None  # the passage that ended
    jumped: bool
    known: KnownIdle


class Labels:
    """Reads the segments of one run as idle and passages.

    Args:
        run_start: µs at which the motor was switched on.
        floor_ma: the smallest rise that can be a cut.
        known: what idle is known to be.
        spun: spin-up is seen to be over.
    """

    __slots__ = ("_begun", "_cold", "_floor", "_spun", "_start", "readings")

    def __init__(self, run_start: int, floor_ma: float, known: KnownIdle = UNKNOWN, *, spun: bool = False) -> None:
        self._start, self._floor, self._spun = run_start, floor_ma, spun
        self._begun: int | None = None  # when the first segment did
        self._cold = 0.0  # share of idle a second by which it falls at the segment that is being added
        self.readings = [_first(run_start, known)]

    def copy(self) -> Labels:
        """An independent copy, to try out what is not certain yet."""
        twin = Labels(self._start, self._floor, spun=self._spun)
        twin.readings, twin._begun = self.readings, self._begun
        return twin

    def add(self, s: Segment) -> None:
        """Takes the next segment."""
        if s.stepped and s.start - self._start < SPIN_UP_US and self._spins_up(s):
            return
        self._cold = _COLD_RATE * math.exp(-((s.start - self._start) / SECOND) / _COLD_S)
        options: list[_Option] = []
        for r in self.readings:
            if not s.stepped:
                options.append(_Option(r.price + _longer(r.cutting, s), r, r.cutting, None, r.jumped, r.known))
            elif r.cutting is None:
                self._after_idle(r, s, options)
            else:
                self._after_load(r, r.cutting, s, options)
        if len(options) > 1:
            options.sort(key=_price)
        limit = options[0].price + _HOPELESS
        kept: list[_Reading] = []
        idle = False
        for option in options:
            if option.price > limit or len(kept) == _MOST:
                break
            if option.load is None:
                if idle:
                    continue  # both idle at the same level from here on: the dearer one can never win
                idle = True
            kept.append(_grown(option, s))
        self.readings = kept

    def _spins_up(self, s: Segment) -> bool:
        """Whether what was before a segment turns out to have been spin-up; then all begins with the segment."""
        if self._begun is None:
            self._begun = s.start
        delta = next((r for r in self.readings if _is_changeover(r, s)), None)
        if delta is not None:
            self.readings = [_idle(s, 0.0, True, delta.known, delta.chain)]
            return True
        if self._still_falling(s):
            self.readings = [_first(self._start, self.readings[0].known)]
            return False
        known = [r.idle.mean for r in self.readings if r.idle is not None]
        lasts = s.end - s.start >= _SPIKE_US // 4
        if known and lasts and s.head.mean < _FAR_BELOW * min(known) and not self._loaded_before(s):
            # nothing that runs takes so much less than idle
            self.readings = [_idle(s, 0.0, False, self.readings[0].known, None)]
            self._spun = True
            return True
        return False

    def _still_falling(self, s: Segment) -> bool:
        """Whether all before a segment was brief and higher: the end of spin-up comes down by degrees."""
        assert self._begun is not None
        r = self.readings[0]
        return bool(r.known) and r.level.mean > s.head.mean and s.start - self._begun < _DEGREES_US

    def _loaded_before(self, s: Segment) -> bool:
        """Whether a segment is idle as it is known, and what was before it a load: spin-up was over."""
        known = self.readings[0].known
        return self._spun and bool(known) and _as_idle(known, s) < WRONG / 2

    def _after_idle(self, r: _Reading, s: Segment, options: list[_Option]) -> None:
        head = s.head.mean
        if r.idle is None:  # the first segment of the run
            seen = self._spun and bool(r.known)
            unseen = Passage(s.start, s.start, 0, 0, 0, r.known.level or head, seen=seen, low=head)
            price = _as_idle(r.known, s) if self._spun and head > r.known.level else 0.0  # less may be star
            options.append(_Option(r.price + price, r, None, None, r.jumped, _held(r.known, s, price)))
            below = r.known.price_above(head - self._least_rise(s), s.sigma * s.sigma / s.head.n) if self._spun else 0.0
            price = r.price + _CUT_UNSEEN + below + _longer(unseen, s)
            options.append(_Option(price, r, unseen, None, r.jumped, r.known))
            return
        may_be_delta = not r.jumped and self._may_be_delta(r, s)
        price, jumped, known, again = self._step_inside_idle(r, s), r.jumped, r.known, 0.0
        jump = _JUMP_SPIN_UP if may_be_delta else _JUMP
        if price > jump:
            again = _as_idle(known, s, warm=known.reaches(r.idle.mean))
            if price > jump + again:
                price, jumped, known = jump + again, jumped or may_be_delta, _held(known, s, again)
        options.append(_Option(r.price + price, r, None, None, jumped, known))
        rise = head - r.idle.mean
        if rise > 0:
            low = _NOT_HIGHER * max(0.0, 1 - rise / self._least_rise(s))
            passage = Passage(s.start, s.start, 0, 0, 0, r.idle.mean, seen=True, low=head)
            delta = _CUT_OR_DELTA if may_be_delta and again < WRONG / 2 else 0.0
            price = r.price + _CUT + low + delta + _longer(passage, s)
            star, known = self._on_star(r, s), r.known
            options.append(_Option(price + star, r, passage, None, r.jumped, UNKNOWN if star else known))

    def _on_star(self, r: _Reading, s: Segment) -> float:
        """Price of a cut that stands on less than idle is known to be: in star nobody cuts."""
        assert r.idle is not None
        if s.start - self._start > SPIN_UP_US:
            return 0.0
        price = r.known.price_above(r.idle.mean, s.sigma * s.sigma / r.idle.n)
        return price if price > _DELTA_KNOWN else 0.0

    def _after_load(self, r: _Reading, p: Passage, s: Segment, options: list[_Option]) -> None:
        head, floor = s.head.mean, self._least_rise(s)
        base = r.idle.mean if r.idle is not None else min(p.low, r.known.most) if r.known else p.low
        usual = max(floor, _FAINT * (p.total / max(1, p.n) - base))
        low = _NOT_HIGHER * min(1.0, max(0.0, 1 - (head - base) / usual))
        price = r.price + self._load_step(r, p, s, base) + low + _longer(p, s)
        options.append(_Option(price, r, p, None, r.jumped, r.known))
        if r.idle is None:
            price = _NOT_HIGHER * max(0.0, 1 - (p.low - head) / floor)
            again = _as_idle(r.known, s)
            price, level, known = price + again, head, _held(r.known, s, again)
            price += _JUMP * bool(p.total < p.n * r.known.most)  # what was before is idle as it is known
        else:
            seconds = (s.start - r.idle_at) / SECOND + s.head.seconds
            variance = _variance(s.sigma, s.head, r.idle, seconds) + _smear(r, s)
            far = (head - base * self._cooling(seconds)) ** 2 / (2 * variance)
            price, known = far + 0.5 * math.log(2 * math.pi * variance) - _LOG_LOADS, r.known
            if price > _JUMP:
                again = _as_idle(known, s, warm=known.reaches(r.idle.mean))
                price, known = (_JUMP + again, _held(known, s, again)) if _JUMP + again < price else (price, known)
            level = (base + head) / 2
        if s.start - self._start < SPIN_UP_US and (not p.seen or self._is_tail(r, p, head)):
            options.append(_Option(r.price + price, r, None, None, r.jumped, known))  # that was spin-up
        else:
            done = Passage(p.start, s.start, p.total, p.n, p.top, level, p.seen, p.low, p.lasted, p.sigma)
            options.append(_Option(r.price + price, r, None, done, r.jumped, known))

    def _is_tail(self, r: _Reading, p: Passage, idle: float) -> bool:
        """Whether what the run began with is hardly more than idle: the end of spin-up, which comes down by degrees."""
        if r.idle is not None:
            return False
        brief = p.end - p.start < _TAIL_US
        return p.total < p.n * max(r.known.most, (1 + _TAIL) * idle if brief else 0.0)

    def _least_rise(self, s: Segment) -> float:
        return max(self._floor, _LEAST_SIGMAS * s.sigma)

    def _may_be_delta(self, r: _Reading, s: Segment) -> bool:
        assert r.idle is not None
        if s.start - self._start >= _STAR_US:
            return False
        times = s.head.mean / max(1.0, r.idle.mean)
        if _DELTA_PLAIN < times < _DELTA_MOST:
            return True
        below = r.known.price(r.idle.mean, s.sigma * s.sigma / r.idle.n)
        return 1 < times < _DELTA_MOST and below - _as_idle(r.known, s) > _DELTA_KNOWN

    def _step_inside_idle(self, r: _Reading, s: Segment) -> float:
        """Price of a step that is none of a cut: how far it is from drift and noise, over the sharper of two spans."""
        assert r.idle is not None
        assert r.idle_brief is not None
        wide = _variance(s.sigma, s.head, r.idle, s.head.seconds)
        brief = _variance(s.sigma, s.head_brief, r.idle_brief, s.head_brief.seconds)
        if brief < wide:
            head, idle, seconds, variance = s.head_brief.mean, r.idle_brief.mean, s.head_brief.seconds, brief
        else:
            head, idle, seconds, variance = s.head.mean, r.idle.mean, s.head.seconds, wide
        return (head - idle * self._cooling(seconds)) ** 2 / (2 * (variance + _smear(r, s)))

    def _cooling(self, seconds: float) -> float:
        """What share of idle is left after so many seconds: a cold saw's falls by a third in its first minutes."""
        return 1 - self._cold * min(seconds, _COLD_S)

    def _load_step(self, r: _Reading, p: Passage, s: Segment, base: float) -> float:
        """Price of a change of load inside a cut: small ones are the rule, a large one is as likely as any.

        A load many times the one before it is rarely of the same cut, and a level that comes back is rarely a load.
        """
        head, level, floor = s.head.mean, r.level.mean, self._least_rise(s)
        ripple = _RIPPLE * max(floor, level - (p.low if r.idle is None else base))
        noise = s.sigma * s.sigma * (1 / s.head.n + 1 / r.level.n)
        price = min(_LOAD_STEP, (head - level) ** 2 / (2 * (ripple * ripple + noise)))
        times = (head - base) / max(floor, level - base)
        if times > _TIMES:
            price += _MANY_TIMES * math.log(times / _TIMES)
        if s.n >= LASTS and p.start - self._start < SPIN_UP_US and level - head > _DROP * (level - base):
            price += _STAR  # the level that a first "cut" falls to, and that stays, is delta's idle
        if p.lasted and s.n >= LASTS and level - head > _FALLS * (level - base):
            again = _variance(s.sigma, s.head, s.head, s.head.seconds)
            price += max(0.0, _COMES_BACK - (head - p.low) ** 2 / (2 * again))
        return price

    def split(self, end: int, start: int) -> None:
        """A silence: what is under way ends at ``end`` and goes on at ``start``."""
        self.readings = [_split(r, end, start) for r in self.readings]

    def settle(self, now: int) -> list[Passage]:
        """Takes out the passages on which all readings agree, or those of the best where they never will."""
        if now - self._start < SPIN_UP_US:
            return []  # it may all turn out to have been spin-up
        chain = self.readings[0].chain
        for r in self.readings:
            if r.chain is not chain:
                if now - min(r.chain.first.end for r in self.readings if r.chain is not None) < _UNDECIDED_US:
                    return []
                self.readings = self.readings[:1]
                break
        if chain is None:
            return []
        self.readings = [r._replace(chain=None) for r in self.readings]
        return _passages(chain)

    def earliest(self, now: int) -> int:
        """µs before which no passage can start that is not taken out yet; ``now``: start of the open segment."""
        for r in self.readings:
            first = r.cutting if r.chain is None else r.chain.first
            if first is not None and first.start < now:
                now = first.start
        return now

    def best(self) -> tuple[list[Passage], Passage | None, float | None]:
        """The best reading now: passages not yet taken out, the one under way if any, the newest idle level (mA)."""
        r = self.readings[0]
        return _passages(r.chain), r.cutting, None if r.idle is None else r.idle.mean


def _is_changeover(r: _Reading, s: Segment) -> bool:
    """Whether spin-up just ended with the spike between star, where idle is low, and delta."""
    if r.idle is None or r.jumped or s.end - s.start < _SPIKE_US // 2:
        return False
    p, head = r.cutting, max(1.0, s.head.mean)
    idles = False
    if known := r.known:
        idles = known.price_above(r.idle.mean, 0.0) == 0
        too_much = _as_idle(known, s) >= WRONG / 2
        too_much |= known.reaches(r.idle.mean) and head > _DELTA_COLD * r.idle.mean
        if head > known.most and too_much:
            return False  # star is left for what is known to be idle
    brief = p is None or (p.seen and s.start - p.start < _SPIKE_US)
    spike = max(s.burst, 0 if p is None else p.top) / head
    least = _DELTA_TIMES if spike < _SPIKE_CLEAR or idles else 1.0
    return brief and head > r.idle.mean * least and spike > _SPIKE_TIMES


def _variance(sigma: float, a: Level, b: Level, seconds: float) -> float:
    """Variance (mA²) of the difference of two idle levels so many seconds apart: noise, and drift of idle."""
    drift = b.mean * min(_DRIFT_MOST, _DRIFT + _DRIFT_RATE * seconds)
    return sigma * sigma * (1 / a.n + 1 / b.n) + drift * drift + _ramp(b)


def _ramp(level: Level) -> float:
    """Variance (mA²) of a level of few samples, which may still be on its way."""
    ramp = _RAMP * level.mean / level.n if level.n <= _FEW else 0.0
    return ramp * ramp


def _smear(r: _Reading, s: Segment) -> float:
    """Variance that a sample across the step adds to the level of a short segment."""
    smear = _SMEAR * (s.head.mean - r.level.mean) / (s.head.n * s.head.n)
    return smear * smear


def _price(option: _Option) -> float:
    return option.price


def _longer(p: Passage | None, s: Segment) -> float:
    """Price of a cut that goes on for the segment: long ones are rare."""
    if p is None:
        return 0.0
    lasted, seconds = s.end - p.start, s.end - s.start
    if lasted <= LONG_CUT_US:
        return 0.0
    price = _LONG_CUT * min(lasted - LONG_CUT_US, seconds)
    if lasted > _LONGEST_CUT_US:
        price += _LONGEST_CUT * min(lasted - _LONGEST_CUT_US, seconds)
    return price


def _as_idle(known: KnownIdle, s: Segment, *, warm: bool = False) -> float:
    """What it costs, by what is known of idle, to take a segment for it."""
    return known.price(s.head.mean, s.sigma * s.sigma / s.head.n + _ramp(s.head), warm=warm)


def _held(known: KnownIdle, s: Segment, price: float) -> KnownIdle:
    """What is known of idle once a segment is taken for it at a price: nothing, if it is more than it ever was."""
    return UNKNOWN if s.head.mean > known.level and price >= WRONG else known


def _first(start: int, known: KnownIdle) -> _Reading:
    return _Reading(0.0, None, None, None, start, Level(0.0, 1, 0.0), False, known, None)


def _idle(s: Segment, price: float, jumped: bool, known: KnownIdle, chain: _Chain | None) -> _Reading:
    return _Reading(price, None, s.tail, s.tail_brief, s.end, s.tail, jumped, known, chain)


def _grown(option: _Option, s: Segment) -> _Reading:
    """The reading that an option makes."""
    r, p = option.of, option.load
    chain = r.chain if option.done is None else _chained(r.chain, option.done)
    if p is None:
        return _Reading(option.price, None, s.tail, s.tail_brief, s.end, s.tail, option.jumped, option.known, chain)
    low, lasted = p.low, p.lasted
    if s.n >= LASTS:
        low, lasted = min(low, s.head.mean) if lasted else s.head.mean, True
    total, n = p.total + s.total, p.n + s.n
    top, sigma = max(p.top, s.top), max(p.sigma, s.sigma)
    load = Passage(p.start, s.end, total, n, top, p.idle, p.seen, low, lasted, sigma)
    return _Reading(option.price, load, r.idle, r.idle_brief, r.idle_at, s.tail, option.jumped, option.known, chain)


def _split(r: _Reading, end: int, start: int) -> _Reading:
    if r.cutting is None:
        return r
    over = _chained(r.chain, r.cutting._replace(end=end)) if r.cutting.n else r.chain
    return r._replace(cutting=r.cutting._replace(start=start, end=start, total=0, n=0, top=0), chain=over)


def _chained(chain: _Chain | None, passage: Passage) -> _Chain:
    return _Chain(chain, passage, passage if chain is None else chain.first)


def _passages(chain: _Chain | None) -> list[Passage]:
    found: list[Passage] = []
    while chain is not None:
        found.append(chain.passage)
        chain = chain.before
    found.reverse()
    return found
