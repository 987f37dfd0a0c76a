"""One run of the motor: its start, the passages under load, and how it stopped."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from collector.detect.edge import edge_time
from collector.detect.labels import SPIN_UP_US, Labels, Passage, Segment
from collector.detect.settings import DetectSettings
from collector.detect.smooth import Smooth
from collector.detect.spin_up import SpinUp
from collector.detect.steps import Step, StepFinder
from collector.detect.stop import last_level, switched_off
from collector.detect.window import Window
from collector.facts import SECOND

Ints = NDArray[np.int64]

_TICK_S = 20  # a segment without steps is closed and continued this often, s
_RAW_US = 12 * SECOND  # raw samples kept to look at the stop
_BURST_US = 400_000  # a switching spike is sought so long before a step
_NEAR = 3  # a step so near to a silence (samples) happened in it


@dataclass(frozen=True, slots=True)
class Stop:
    """How a run ended: ``end`` µs of switching off; ``brake_us`` how long the brake's current was seen, or None."""

    end: int
    brake_us: int | None


@dataclass(slots=True)
class _Open:
    """The segment that has begun and not ended; ``folded`` is the place up to which its sums reach."""

    place: int
    start: int
    stepped: bool
    head: float
    head_n: int
    folded: int
    burst: int = 0
    total: int = 0
    top: int = 0

    def fold(self, window: Window, end: int) -> None:
        if end > self.folded:
            self.total += window.total(self.folded, end)
            self.top = max(self.top, window.top(self.folded, end))
            self.folded = end


class RunTracker:
    """Follows one run from its first sample to its last.

    Args:
        settings: the detector's settings.
        start: µs at which the motor was switched on, or at which the data began.
    """

    def __init__(self, settings: DetectSettings, start: int) -> None:
        self._settings = settings
        self.start = start
        self.samples = 0  # raw samples taken
        self.inrush_ma: int | None = None  # the highest current of spin-up
        self._spin_up = SpinUp(start)
        self._smooth = Smooth()
        self._labels = Labels(start, settings.floor_ma)
        self._finder: StepFinder | None = None  # None in spin-up
        self._window = Window(0, np.empty(0, np.int64), np.empty(0, np.int64))
        self._open: _Open | None = None
        self._first_level = 0
        self._steps: list[Step] = []  # certain, and not yet read
        self._breaks: list[int] = []  # places of the first samples after a silence
        self._raw_t = self._raw_ma = np.empty(0, np.int64)

    # taking samples in

    def feed(self, t: Ints, ma: Ints) -> list[Passage]:
        """Takes samples (µs, mA) with the motor on; returns the passages that became certain, in order."""
        self.samples += len(t)
        self._raw_t, self._raw_ma = np.concatenate((self._raw_t, t)), np.concatenate((self._raw_ma, ma))
        self._take(*self._smooth.feed(t, ma), last=False)
        if self._finder is None:
            return []
        done = self._advance(self._finder)
        needed = min(int(self._raw_t[-1]) - _RAW_US, int(self._window.t[0]))
        i = int(np.searchsorted(self._raw_t, needed))
        if 2 * i > len(self._raw_t):
            self._raw_t, self._raw_ma = self._raw_t[i:].copy(), self._raw_ma[i:].copy()
        return done

    def _take(self, t: Ints, y: Ints, *, last: bool) -> None:
        if self._finder is None:
            rest = self._spin_up.feed(t, y, last=last)
            if rest is not None:
                self._begin(*rest)
        elif len(t):
            self._note_breaks(np.concatenate((self._window.t[-1:], t)), self._window.count)
            self._window.append(t, y)

    def _note_breaks(self, t: Ints, place: int) -> None:
        """``t[1]`` is the time at ``place``."""
        if int(t[-1]) - int(t[0]) > self._settings.silence_us:
            self._breaks += (np.flatnonzero(np.diff(t) > self._settings.silence_us) + place).tolist()

    def _begin(self, t: Ints, y: Ints) -> None:
        self.inrush_ma = _highest(self._raw_ma[self._raw_t < (t[0] if len(t) else self._raw_t[-1] + 1)])
        rate = self._smooth.rate or 10.0
        self._finder = StepFinder(rate, self._smooth.inflate)
        # what came before counts as the first level: no step where spin-up ends
        pad = self._finder.margin + 4
        interval = round(SECOND / rate)
        before = (int(t[0]) if len(t) else self.start) + interval * np.arange(-pad, 0)
        level = int(y[:3].mean()) if len(y) else 0
        self._first_level = level
        self._window = Window(-pad, np.concatenate((before, t)), np.concatenate((np.full(pad, level), y)))
        if len(t):
            self._note_breaks(t, 1)

    def newest(self, n: int) -> tuple[Ints, Ints]:
        """The newest n raw samples, µs and mA."""
        return self._raw_t[-n:], self._raw_ma[-n:]

    @property
    def newest_time(self) -> int:
        """µs of the newest sample."""
        return int(self._raw_t[-1])

    # reading them

    def _advance(self, finder: StepFinder, *, last: bool = False, end: int | None = None) -> list[Passage]:
        self._steps += finder.advance(self._window, last=last)
        done: list[Passage] = []
        limit = finder.settled if end is None else end
        following = finder.next_place
        self._open, used = self._walk(finder, self._open, self._labels, self._steps, limit, following, done, last=last)
        self._steps = self._steps[used:]
        if self._open is not None and not last:
            self._open.fold(self._window, limit)
            self._window.drop_before(limit - finder.margin - 2)
            self._breaks = [b for b in self._breaks if b > self._open.place]
        return done

    def _walk(
        self, finder: StepFinder, opened: _Open | None, labels: Labels, steps: list[Step], limit: int,
        following: int, done: list[Passage] | None, *, last: bool,
    ) -> tuple[_Open | None, int]:
        """Closes every segment that ends before place ``limit``; returns the one left open and the steps used up."""
        used = 0
        tick = round(_TICK_S * (self._smooth.rate or 10.0))
        breaks = [b for b in self._breaks if opened is None or b > opened.place]
        if opened is None:
            if limit <= 1 and not last:
                return None, 0
            first = steps[0].place if steps else following
            opened = self._opened(finder, 0, self._window.time(-1), first, stepped=True)
        while True:
            step = steps[used].place if used < len(steps) else limit
            silence = breaks[0] if breaks else limit
            stepped = True
            if abs(step - silence) <= _NEAR and silence < limit or silence < step:
                place = silence
                if silence + _NEAR >= limit and not last:
                    break
                near = [s for s in steps[used:] if abs(s.place - silence) <= _NEAR]
                stepped = bool(near)
                used += len(near)
                breaks.pop(0)
            else:
                place = step
                silence = limit
                if opened.place + tick < min(place, limit):
                    place, stepped = opened.place + tick, False
                elif place < limit:
                    used += 1
            if place >= limit:
                break
            if place <= opened.place:
                continue
            nexts = [s.place for s in steps[used : used + 1]] + breaks[:1] + [following]
            opened = self._turn(finder, opened, labels, place, min(nexts), stepped=stepped, silent=place == silence)
            if done is not None:
                done += labels.settle(opened.start)
        return opened, used

    def _turn(
        self, finder: StepFinder, opened: _Open, labels: Labels, place: int, following: int, *, stepped: bool, silent: bool
    ) -> _Open:
        """Closes the open segment at a place and opens the next."""
        w = self._window
        new = self._opened(finder, place, w.time(place - 1), following, stepped=stepped)
        tail, tail_n = self._tail(finder, opened, place)
        if silent:
            new.start = w.time(place)
            end = w.time(place - 1)
        else:
            if stepped:
                new.start = edge_time(w, place, finder.short, tail, new.head, finder.sigma(place))
                new.start = max(new.start, opened.start + 1)
            end = new.start
        labels.add(self._segment(finder, opened, place, end, tail, tail_n))
        if silent:
            labels.split(end, new.start)
        return new

    def _segment(self, finder: StepFinder, o: _Open, place: int, end: int, tail: float, tail_n: int) -> Segment:
        o.fold(self._window, place)
        return Segment(o.start, end, o.head, o.head_n, tail, tail_n, o.total, place - o.place, o.top,
                       finder.sigma(place), o.burst, o.stepped)

    def _opened(self, finder: StepFinder, place: int, start: int, following: int, *, stepped: bool) -> _Open:
        end = min(following, self._window.count)
        first, last = place + 1, min(place + 1 + finder.long, end - 1)
        if last - first < 1:
            first, last = place, max(min(place + 1 + finder.long, end), place + 1)
        new = _Open(place, start, stepped, self._window.mean(first, last), last - first, place)
        if stepped and start - self.start < SPIN_UP_US:
            new.burst = self._burst(place)
        return new

    def _burst(self, place: int) -> int:
        at = self._window.time(place)
        near = slice(*np.searchsorted(self._raw_t, (at - _BURST_US, at + _BURST_US * 3 // 4)))
        return max(self._raw_ma[near].tolist(), default=0)

    def _tail(self, finder: StepFinder, o: _Open, place: int) -> tuple[float, int]:
        first, last = max(o.place + 1, place - 1 - finder.long), place - 1
        if last - first < 1:
            first, last = max(o.place, place - 1 - finder.long), place
        return self._window.mean(first, last), last - first

    def preview(self) -> tuple[list[Passage], Passage | None, int]:
        """As far as the samples so far tell: passages not yet returned, the one under way, and the time from which
        this may change."""
        finder = self._finder
        if finder is None or self._window.count < 3:
            return [], None, self.start
        steps = [*self._steps, *finder.guess(self._window)]
        passages, under_load, _ = self._reading_at(finder, steps, self._window.count).best()
        return passages, under_load, self.earliest

    @property
    def earliest(self) -> int:
        """µs before which no passage starts that has not been returned."""
        if self._open is None:
            return self.start
        return self._labels.earliest(self._open.start)

    # the end

    def finish(self, end: int, *, braked: bool) -> tuple[list[Passage], Stop]:
        """The current fell to nothing at ``end`` (µs), or the data ended there (not ``braked``).

        Returns:
            the remaining passages, and how the run stopped.
        """
        self._take(*self._smooth.feed(self._raw_t[:0], self._raw_ma[:0], last=True), last=True)
        finder, w = self._finder, self._window
        if finder is None or w.count < 3:
            return [], Stop(end, None)
        off = self._braked_from(finder) if braked else None
        brake = None
        if off is not None:
            place = w.base + int(np.searchsorted(w.t, off))
            brake, end = end - off, off
            w.drop_from(max(place, self._open.place + 2 if self._open is not None else 2))
        if w.count > 2 and w.y[-1] < 0.8 * w.y[-2]:
            w.drop_last()  # partly after switching off
        count = w.count
        finder.rewind(count)
        level, interval = int(w.y[-3:].mean()), round(SECOND / self._smooth.rate)
        pad = finder.margin  # the last level counts as what follows: no step where the run ends
        w.append(w.time(count - 1) + interval * np.arange(1, pad + 1), np.full(pad, level))
        steps = [*self._steps, *finder.advance(w, last=True)]
        steps = [s for s in steps if s.place < count]
        done: list[Passage] = []
        opened, _ = self._walk(finder, self._open, self._labels, steps, count, count, done, last=True)
        if opened is not None and opened.place < count:
            tail, tail_n = self._tail(finder, opened, count)
            self._labels.add(self._segment(finder, opened, count, end, tail, tail_n))
        passages, under_load, _ = self._labels.best()
        if under_load is not None and under_load.seen:
            passages.append(under_load._replace(end=end))
        return done + passages, Stop(end, brake)

    def _braked_from(self, finder: StepFinder) -> int | None:
        """µs at which the motor was switched off, if a brake's current followed."""
        longest = self._settings.brake_max_us
        i = int(np.searchsorted(self._raw_t, self._raw_t[-1] - longest - SECOND))
        t, ma = self._raw_t[i:], self._raw_ma[i:]
        last = last_level(t, ma, longest)
        if last is None:
            return None
        k = switched_off(t, ma, last, self._idle_at(finder, last.start))
        return None if k is None else _fall_time(t, ma, k)

    def _idle_at(self, finder: StepFinder, when: int) -> float:
        """The idle level shortly before a time, mA, on the best reading of all that was before it."""
        place = self._window.base + int(np.searchsorted(self._window.t, when)) - 1
        if self._open is not None and place <= self._open.place:
            idle = self._labels.best()[2]
        else:
            steps = [s for s in [*self._steps, *finder.guess(self._window)] if s.place < place]
            idle = self._reading_at(finder, steps, place).best()[2]
        return self._first_level if idle is None else idle

    def _reading_at(self, finder: StepFinder, steps: list[Step], place: int) -> Labels:
        """What the run looks like up to a place, on a copy."""
        opened = None if self._open is None else replace(self._open)
        labels = self._labels.copy()
        opened, _ = self._walk(finder, opened, labels, steps, place, place, None, last=True)
        if opened is not None and opened.place < place:
            tail, tail_n = self._tail(finder, opened, place)
            labels.add(self._segment(finder, opened, place, self._window.time(place - 1), tail, tail_n))
        return labels


def _fall_time(t: Ints, ma: Ints, k: int) -> int:
    """When the current left its level, which the sample at index k no longer has."""
    if k < 2:
        return int(t[k - 1])
    level = float(np.median(ma[max(0, k - 4) : k]))
    share = sum(
        min(1.0, float(ma[j]) / level) ** 2 * (int(t[j]) - int(t[j - 1])) for j in (k - 1, k) if ma[j] < level or j < k
    )
    return min(int(t[k - 2]) + round(share), int(t[k]))


def _highest(ma: Ints) -> int | None:
    """The highest sample but for single wild ones, mA."""
    if not len(ma):
        return None
    around = np.concatenate(([0], ma, [0]))
    believable = ma[ma <= 3 * np.maximum(around[:-2], around[2:])]
    return int(believable.max() if len(believable) else ma.max())
