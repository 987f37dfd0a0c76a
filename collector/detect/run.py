"""One run of the motor: its start, the passages under load, and how it stopped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from collector.detect.known_idle import KnownIdle
from collector.detect.labels import SPIN_UP_US
from collector.detect.pause import PAUSE_US
from collector.detect.raw import BURST_BEFORE_US, Raw
from collector.detect.reader import Reader
from collector.detect.smooth import Smooth
from collector.detect.spin_up import SpinUp
from collector.detect.starting import StartWatch
from collector.detect.stop import STEP_OF, fall_time, falls_at_once, last_level, quiet_noise, switched_off
from collector.detect.usual_stop import Tail, goes_on, usual_stop
from collector.facts import SECOND

if TYPE_CHECKING:
    from collections.abc import Callable

    from collector.detect.segments import Passage
    from collector.detect.settings import DetectSettings
    from collector.detect.stop import LastLevel

Ints = NDArray[np.int64]

_STARTING, _STARTED_US = 0.6, 1_500_000  # of the starting current: it is not over where so much flowed so lately
_UNPAUSED = 0.7  # nats: one brake in two has a pause
_HABIT = 10.0  # nats: a brake on a saw whose brake is known to be seen
_BY_DEGREES = 10.0  # nats: a brake that does not begin with a step; noise, or a sample of a slow box, hides it
_WILD_US = 300_000  # the brake begins so much earlier where a later pause is none
_IDLE_S = 2.0  # idle is known from so much of it


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
        seen: it was switched on then.

    Attributes:
        samples: raw samples taken.
        inrush_ma: the highest current of spin-up, None before it is over.
        watch: whether it comes up to speed.
    """

    def __init__(self, settings: DetectSettings, start: int, *, seen: bool = True) -> None:
        self._settings = settings
        self.start, self._seen = start, seen
        self.samples = 0
        self.inrush_ma: int | None = None
        self._told = start  # µs at which the last passage returned ends
        self._spin_up = SpinUp(start)
        self.watch = StartWatch(start, settings.start_max_us, settings.locked_ma)
        self._smooth = Smooth()
        self._reader: Reader | None = None  # None in spin-up
        self._raw = Raw()

    def feed(self, t: Ints, ma: Ints) -> list[Passage]:
        """Takes samples (µs, mA) with the motor on; returns the passages that became certain, in order."""
        self.samples += len(t)
        self._raw.add(t, ma)
        done = self._take(*self._smooth.feed(t, ma), last=False)
        if self._reader is not None:
            self._raw.drop_before(int(self._reader.window.t[0]) - BURST_BEFORE_US)
        return self._tell(done)

    def _tell(self, done: list[Passage]) -> list[Passage]:
        if done:
            self._told = done[-1].end
        return done

    def _take(self, t: Ints, y: Ints, *, last: bool) -> list[Passage]:
        self.watch.feed(t, y)
        if self._reader is None:
            rest = self._spin_up.feed(t, y, last=last)
            if rest is None:
                return []
            t, y = rest
            raw_t, raw_ma = self._raw.since(0)
            self.inrush_ma = _highest(raw_ma[raw_t < t[0]] if len(t) else raw_ma)
            rate = self._smooth.rate or 10.0
            known = KnownIdle(*self._settings.habits.idle_of(self.inrush_ma if self._seen else None))
            spun, inflate, burst = self._spin_up.over or not self._seen, self._smooth.inflate, self._raw.burst
            self._reader = Reader(self._settings, self.start, rate, inflate, burst, t, y, known=known, spun=spun)
            t, y = t[:0], y[:0]
        return self._reader.feed(t, y)

    @property
    def newest_at(self) -> int:
        """µs of the newest sample."""
        return self._raw.newest_at

    def newest(self, n: int) -> tuple[Ints, Ints]:
        """The newest n raw samples, as `Raw.newest` gives them, µs and mA."""
        return self._raw.newest(n)

    def preview(self) -> tuple[list[Passage], Passage | None]:
        """As far as the samples so far tell: the passages not returned yet, and the one under way."""
        return ([], None) if self._reader is None else self._reader.preview()

    @property
    def earliest(self) -> int:
        """µs before which no passage starts that has not been returned."""
        return self.start if self._reader is None else self._reader.earliest

    def finish(
        self, end: int, *, braked: bool, quiet: Ints | None = None, silent_us: int = 0
    ) -> tuple[list[Passage], Stop]:
        """The current fell to nothing at ``end`` (µs), or the data ended there (not ``braked``).

        ``quiet`` are the samples of standstill after it, mA; ``silent_us`` is how long nothing was heard before them.

        Returns:
            the remaining passages, and how the run stopped.
        """
        none = np.empty(0, np.int64)
        done = self._tell(self._take(*self._smooth.feed(none, none, last=True), last=True))
        if self._reader is None:
            return [], Stop(end, None)
        off = self._braked_from(self._reader, none if quiet is None else quiet, silent_us) if braked else None
        if off is None or not self._told < off < end:  # what is certain is no brake's
            end = max(end, self._told)
            return done + self._reader.finish(end, None), Stop(end, None)
        return done + self._reader.finish(off, off), Stop(off, None if silent_us else end - off)

    def _braked_from(self, reader: Reader, quiet: Ints, silent_us: int) -> int | None:
        """µs at which the motor was switched off, if a brake's current followed."""
        since = max(self.start, self._raw.newest_at - self._settings.brake_max_us - SECOND)
        t, ma = self._raw.since(since)
        noise = reader.noise * self._smooth.every**0.5
        off = self._told_by_itself(reader, t, ma, noise, quiet, silent_us)
        habits = self._settings.habits
        if habits.brake_us is None:
            return off
        tail = Tail(t, ma, since, noise, self._idle_known(reader), silent_us)
        usual = usual_stop(tail, habits.brake_us)
        if usual is None:
            return off
        newest = self._raw.newest_at
        if off is None or not habits.brakes_for(newest - off):
            return usual.off
        if usual.silence is not None:
            return usual.off if usual.silence[0] <= off <= usual.silence[1] else off
        # What seemed a pause later on may be wild samples of the brake's current.
        earlier = usual.turned and usual.off < off - _WILD_US and habits.brakes_for(newest - usual.off)
        return usual.off if earlier and goes_on(tail, off) else off

    def _idle_known(self, reader: Reader) -> Callable[[int], float]:
        """The idle level (mA) shortly before a time (µs), no more than is known of the saw's."""
        low, high = self._settings.habits.idle_of(self.inrush_ma)
        return (lambda us: min(reader.idle_at(us), float(high))) if low else reader.idle_at

    def _told_by_itself(
        self, reader: Reader, t: Ints, ma: Ints, noise: float, quiet: Ints, silent_us: int
    ) -> int | None:
        """As `_braked_from`, by the last level of the run's last samples."""
        longest, habits = self._settings.brake_max_us, self._settings.habits
        last = last_level(t, ma, longest, noise, reader.idle_at, quiet_noise(quiet), silent_us)
        if last is None:
            return None
        idle, usual = reader.idle_at(last.from_us - PAUSE_US), self._settings.blade_stop_us
        seen = habits.brake_seen
        found = switched_off(t, ma, last, idle, reader.idle_at, usual, silent_us, seen=seen)
        first, began = np.searchsorted(t, (last.from_us - PAUSE_US, last.from_us))
        if found is None and ma[first:began].min(initial=1 << 40) > last.level / 2:
            # no pause: what was until then may tell better what idle is
            idle = reader.idle_at(last.from_us)
            found = switched_off(t, ma, last, idle, reader.idle_at, usual, silent_us, seen=seen)
        if found is None:
            return None
        k, paused = found
        off = fall_time(t, ma, k, min(idle, reader.idle_at(last.from_us)) if paused else np.inf)
        if not paused and silent_us >= self._settings.bridge_us:
            return None  # nothing is heard any more: a pause is the least that tells of a stop
        return off if paused or last.level > idle or self._below_idle(reader, t, ma, last, off, idle) else None

    def _below_idle(self, reader: Reader, t: Ints, ma: Ints, last: LastLevel, off: int, idle: float) -> bool:
        """Whether a level below all before it is a brake's; else it is idle, and what was before a load, or a start."""
        habits = self._settings.habits
        at_once = last.hidden or falls_at_once(ma, last, idle)
        if at_once and habits.brakes_for(self._raw.newest_at - off):
            return True
        if off - self.start < SPIN_UP_US:
            before = ma[np.searchsorted(t, off - _STARTED_US) : np.searchsorted(t, off)]
            return at_once and bool(before.max(initial=0) <= _STARTING * (self.inrush_ma or 0))
        with_brake, without = reader.price(off), reader.price(None)
        if without == with_brake:  # no step was found there: the level would be noise of the idle before it
            n, idles = len(ma) - last.index, _IDLE_S * self._smooth.rate * self._smooth.every
            without += (idle - last.level) ** 2 / (2 * last.sigma**2 * (1 / n + 1 / idles))
        if not at_once:
            with_brake += _BY_DEGREES if last.index >= STEP_OF else np.inf  # how it began was not seen
        return with_brake + (-_HABIT if habits.brake_seen else _UNPAUSED) <= without


def _highest(ma: Ints) -> int | None:
    """The highest sample but for single wild ones, mA."""
    if not len(ma):
        return None
    around = np.concatenate(([0], ma, [0]))
    believable = ma[ma <= 3 * np.maximum(around[:-2], around[2:])]
    return int(believable.max() if len(believable) else ma.max())
