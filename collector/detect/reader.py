"""Reads one run's samples after spin-up: steps part them into segments, segments are read as idle or load."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from collector.detect.edge import edge_time
from collector.detect.known_idle import UNKNOWN, KnownIdle
from collector.detect.labels import LASTS, LONG_CUT_US, SPIN_UP_US, Labels
from collector.detect.segments import Level, Passage, Segment
from collector.detect.steps import BLOCK, FAR, Step, StepFinder
from collector.detect.window import Window
from collector.facts import SECOND

if TYPE_CHECKING:
    from collections.abc import Callable

    from collector.detect.settings import DetectSettings

Ints = NDArray[np.int64]

_TICK_S = 120  # a segment without steps is closed and continued this often, s
_MANY = 8  # steps at once: readings in bulk
_NEAR = 3  # a step so near to a silence (samples) happened in it
_SETTLED_US = SECOND  # a segment that has lasted so long is read the same however long it grows


@dataclass(slots=True)
class _Open:
    """The segment that has begun and not ended; ``folded`` is the place up to which its sums reach."""

    place: int
    start: int
    stepped: bool
    head: Level
    head_brief: Level
    folded: int
    burst: int = 0
    total: int = 0
    top: int = 0

    def fold(self, window: Window, end: int) -> None:
        if end > self.folded:
            self.total += window.total(self.folded, end)
            self.top = max(self.top, window.top(self.folded, end))
            self.folded = end


@dataclass(slots=True)
class _Walk:
    """How far the segments are read: what is open, the labels so far, the silences still to come."""

    opened: _Open
    labels: Labels
    breaks: list[int]

    def copy(self) -> _Walk:
        o = self.opened
        twin = _Open(o.place, o.start, o.stepped, o.head, o.head_brief, o.folded, o.burst, o.total, o.top)
        return _Walk(twin, self.labels.copy(), self.breaks)


@dataclass(frozen=True, slots=True)
class _Glance:
    """A preview that holds while the open segment grows up to place ``until``, as long as no further step is seen."""

    ahead: list[Step]
    passages: list[Passage]
    load: Passage | None
    count: int
    until: int


class Reader:
    """Finds the passages under load of one run in a series that grows at its end.

    Args:
        settings: the detector's settings.
        run_start: µs at which the motor was switched on.
        rate: samples a second.
        inflate: see `StepFinder`.
        burst: highest raw sample (mA) near a time and before another (µs): a spike that smoothing takes away.
        t: µs of the first samples.
        y: their currents, mA.
        known: what idle is known to be.
        spun: spin-up is seen to be over.
    """

    def __init__(
        self,
        settings: DetectSettings,
        run_start: int,
        rate: float,
        inflate: float,
        burst: Callable[[int, int], int],
        t: Ints,
        y: Ints,
        *,
        known: KnownIdle = UNKNOWN,
        spun: bool = False,
    ) -> None:
        self._settings, self._run_start, self._rate, self._burst = settings, run_start, rate, burst
        self._known, self._spun = known, spun
        self._finder = StepFinder(rate, inflate)
        self._tick = round(_TICK_S * rate)
        self.interval = round(SECOND / rate)
        self.first_level = int(y[:3].mean()) if len(y) else 0
        # what came before counts as the first level: no step where spin-up ends
        pad = self._finder.margin + 4
        first = int(t[0]) if len(t) else run_start
        before = first + self.interval * np.arange(-pad, 0)
        self.window = Window(-pad, np.concatenate((before, t)), np.concatenate((np.full(pad, self.first_level), y)))
        self._walked: _Walk | None = None  # None until the first segment's head is known
        self._breaks = self._silences(t, 1)  # before anything is walked
        self._steps: list[Step] = []  # certain, and not yet read
        self._blocks = -1  # whole blocks of samples when it was last read
        self._ahead: tuple[tuple[Step, ...], _Walk] | None = None  # the last preview's steps up to the first unread
        self._glance: _Glance | None = None  # the last preview, where nothing but time may pass

    def _silences(self, t: Ints, place: int) -> list[int]:
        """Places after a silence; ``t[1]`` is the time at ``place``."""
        if not len(t) or int(t[-1]) - int(t[0]) <= self._settings.silence_us:
            return []
        found: list[int] = ((t[1:] - t[:-1] > self._settings.silence_us).nonzero()[0] + place).tolist()
        return found

    def feed(self, t: Ints, y: Ints) -> list[Passage]:
        """Takes samples (µs, mA); returns the passages that became certain, in order."""
        if len(t):
            if int(t[-1]) - int(self.window.t[-1]) > self._settings.silence_us:
                breaks = self._silences(np.concatenate((self.window.t[-1:], t)), self.window.count)
                self._ahead = self._glance = None
                if self._walked is None:
                    self._breaks += breaks
                else:
                    self._walked.breaks = self._walked.breaks + breaks
            self.window.append(t, y)
        if self.window.count // BLOCK == self._blocks:
            return []  # nothing becomes certain before the noise of a whole block is known
        return self._read()

    def _read(self) -> list[Passage]:
        self._blocks = self.window.count // BLOCK
        finder = self._finder
        self._steps += finder.advance(self.window)
        limit = finder.settled
        if self._walked is None:
            if limit <= 1:
                return []
            first = min([s.place for s in self._steps[:1]] + self._breaks[:1] + [finder.next_place])
            self._walked = self._begin(first)
        if len(self._steps) > _MANY:
            self.window.look_for_tops([self._walked.opened.folded, *(s.place for s in self._steps)])
        done: list[Passage] = []
        used = self._walk(self._walked, self._steps, limit, finder.next_place, done, last=False)
        self._steps = self._steps[used:]
        waiting = [s.place for s in self._steps[:1]] + self._walked.breaks[:1]  # the open segment may end there
        done_to = min([limit, *waiting])
        self._walked.opened.fold(self.window, done_to)
        self.window.drop_before(done_to - finder.margin - 2)
        self._ahead = self._glance = None
        return done

    def _begin(self, following: int) -> _Walk:
        opened = self._opening(0, max(self._run_start, self.window.time(-1)), following, stepped=True)
        labels = Labels(self._run_start, self._settings.floor_ma, self._known, spun=self._spun)
        return _Walk(opened, labels, list(self._breaks))

    def _walk(
        self, walk: _Walk, steps: list[Step], limit: int, following: int, done: list[Passage] | None, *, last: bool
    ) -> int:
        """Closes every segment that ends before place ``limit``, in ``walk``; returns how many steps it used up.

        ``following`` is the first place after those steps that may be a step. What all readings agree on goes to
        ``done``.
        """
        used = 0
        while True:
            place = steps[used].place if used < len(steps) else limit
            silence = walk.breaks[0] if walk.breaks else FAR
            silent = silence - _NEAR <= place  # what steps so near to a silence stepped in it
            stepped, known = True, limit
            if silent:
                place = silence
                known = limit if last else limit - _NEAR
            tick = walk.opened.place + self._tick
            if tick < place:
                place, stepped, silent, known = tick, False, False, limit
            if place >= known:
                return used
            if silent:
                near = sum(s.place <= silence + _NEAR for s in steps[used:])
                stepped = near > 0
                used += near
                walk.breaks = walk.breaks[1:]
            elif stepped:
                used += 1
            if place <= walk.opened.place:
                continue
            after = min(
                steps[used].place if used < len(steps) else following, walk.breaks[0] if walk.breaks else following
            )
            self._turn(walk, place, after, stepped=stepped, silent=silent)
            if done is not None:
                done += walk.labels.settle(walk.opened.start)

    def _turn(self, walk: _Walk, place: int, following: int, *, stepped: bool, silent: bool) -> None:
        """Closes the open segment at a place and opens the next."""
        w, old = self.window, walk.opened
        new = self._opening(place, w.time(place - 1), following, stepped=stepped)
        tail = self._tail(old, place, self._finder.long)
        end = new.start
        if silent:
            new.start = w.time(place)
        elif stepped:
            end = edge_time(w, place, self._finder.short, tail.mean, new.head.mean, self._finder.sigma(place))
            end = new.start = max(end, old.start + 1)
        walk.labels.add(self._segment(old, place, end, tail))
        if silent:
            walk.labels.split(end, new.start)
        walk.opened = new

    def _segment(self, o: _Open, place: int, end: int, tail: Level) -> Segment:
        o.fold(self.window, place)
        finder = self._finder
        if o.place == 0 and tail.n < finder.long:
            tail = self._tail(o, place, finder.short)  # spin-up may reach into a first segment so short
        brief = tail
        if tail.n > finder.brief:
            sums, last, n = self.window.sums, place - 1 - self.window.base, finder.brief
            brief = Level((sums.item(last) - sums.item(last - n)) / n, n, n / self._rate)
        sigma, n = finder.sigma(place), place - o.place
        return Segment(o.start, end, o.head, o.head_brief, tail, brief, o.total, n, o.top, sigma, o.burst, o.stepped)

    def _opening(self, place: int, start: int, following: int, *, stepped: bool) -> _Open:
        """Opens a segment; its head leaves out the sample across the step where others are to be had."""
        w, finder = self.window, self._finder
        end = min(following, w.count)
        first = place + 1
        last = min(first + finder.long, end - 1)
        if last - first < 1:
            first, last = place, max(min(place + 1 + finder.long, end), place + 1)
        i = first - w.base
        before, upto = w.sums.item(i), w.sums.item(last - w.base)
        n = last - first
        head = brief = Level((upto - before) / n, n, n / self._rate)
        if n > finder.brief:
            n = finder.brief
            brief = Level((w.sums.item(i + n) - before) / n, n, n / self._rate)
        near_start = stepped and start - self._run_start < SPIN_UP_US
        burst = self._burst(w.time(place), w.time(min(place + finder.long, w.count - 1))) if near_start else 0
        return _Open(place, start, stepped, head, brief, place, burst)

    def _tail(self, o: _Open, place: int, width: int) -> Level:
        """Level of the last samples before a step, without the one across it where others are to be had."""
        last = place - 1
        first = max(o.place + 1, last - width)
        if last - first < 1:
            first, last = max(o.place, last - width), place
        sums, base, n = self.window.sums, self.window.base, last - first
        return Level((sums.item(last - base) - sums.item(first - base)) / n, n, n / self._rate)

    # what is not certain yet

    def _reading(self, steps: list[Step], place: int) -> Labels:
        """What the run looks like up to a place, given the steps that are not read yet."""
        walk = self._begin(steps[0].place if steps else place) if self._walked is None else self._walked.copy()
        self._walk(walk, steps, place, place, None, last=True)
        self._close(walk, place, self.window.time(place - 1))
        return walk.labels

    def _close(self, walk: _Walk, place: int, end: int) -> None:
        if walk.opened.place < place:
            tail = self._tail(walk.opened, place, self._finder.long)
            walk.labels.add(self._segment(walk.opened, place, end, tail))

    def preview(self) -> tuple[list[Passage], Passage | None]:
        """As far as the samples so far tell: the passages not returned yet, and the one under way."""
        count = self.window.count
        if count < 3:
            return [], None
        ahead = self._finder.guess(self.window)
        if (known := self._glance) is not None and known.ahead is ahead and count <= known.until:
            self._glance = known = self._grown(known, count)
            return known.passages, known.load
        steps = [*self._steps, *ahead]
        walk = self._ahead_of(steps)
        old = len(self._ahead[0]) - 1 if self._ahead is not None else 0
        self._walk(walk, steps[old:], count, count, None, last=True)
        self._close(walk, count, self.window.time(count - 1))
        passages, under_load, _ = walk.labels.best()
        o = walk.opened
        settled = (
            count - o.place >= max(LASTS, self._finder.long + 2)
            and self.window.time(count - 1) - o.start >= _SETTLED_US
        )
        self._glance = _Glance(ahead, passages, under_load, count, o.place + self._tick) if settled else None
        return passages, under_load

    def _grown(self, g: _Glance, count: int) -> _Glance:
        """The preview when the open segment has grown: its reading stays, for it depends on how it began."""
        p, w = g.load, self.window
        if p is not None and count > g.count:
            end, total = w.time(count - 1), p.total + w.total(g.count, count)
            p = p._replace(end=end, total=total, n=p.n + count - g.count, top=max(p.top, w.top(g.count, count)))
        until = g.until if p is None or p.end - p.start <= LONG_CUT_US else 0  # from then on its price grows
        return _Glance(g.ahead, g.passages, p, count, until)

    def _ahead_of(self, steps: list[Step]) -> _Walk:
        """A copy of the reading up to the last step whose surroundings are complete; kept for the next preview."""
        complete = self.window.count - self._finder.long - 2
        firm = sum(s.place < complete for s in steps) - 1
        if self._ahead is not None and tuple(steps[: len(self._ahead[0])]) == self._ahead[0]:
            known, walk = len(self._ahead[0]) - 1, self._ahead[1]
        else:
            self._ahead = None
            known = 0
            walk = (
                self._begin(steps[0].place if steps else self.window.count)
                if self._walked is None
                else self._walked.copy()
            )
        if firm > known:
            place = steps[firm].place
            known += self._walk(walk, steps[known:], place, place, None, last=False)
            self._ahead = (tuple(steps[: known + 1]), walk)
        return walk.copy()

    @property
    def earliest(self) -> int:
        """µs before which no passage starts that has not been returned."""
        if self._walked is None:
            return self._run_start
        return self._walked.labels.earliest(self._walked.opened.start)

    @property
    def noise(self) -> float:
        """Standard deviation of the newest samples, mA."""
        return self._finder.sigma(self.window.count)

    def idle_at(self, when: int) -> float:
        """The idle level shortly before a time (µs) on the best reading of all that was before it, mA.

        Before any was seen it is what is known of it, or else the first level of the run.
        """
        idle = self._until(self.window.base + int(np.searchsorted(self.window.t, when)) - 1).best()[2]
        return idle if idle is not None else self._known.level or self.first_level

    def price(self, until: int | None) -> float:
        """What the best reading of all samples before a time (µs; None: of all) costs, nats.

        The sample before the time may be partly of what comes after it: a step there is none of what was before.
        """
        w = self.window
        if until is None:
            return self._until(w.count).readings[0].price
        place = w.base + int(np.searchsorted(w.t, until))
        return self._until(place, stepped=place - 1).readings[0].price

    def _until(self, place: int, stepped: int | None = None) -> Labels:
        """What the run looks like up to a place, with the steps before it, or before the place ``stepped``."""
        if self._walked is not None and place <= self._walked.opened.place:
            return self._walked.labels
        before = place if stepped is None else stepped
        steps = [s for s in [*self._steps, *self._finder.guess(self.window)] if s.place < before]
        return self._reading(steps, max(place, 1))

    # the end

    def finish(self, end: int, off: int | None) -> list[Passage]:
        """The run ended at ``end`` (µs); with ``off``, samples from then on are not the motor's. Returns the rest."""
        w, finder = self.window, self._finder
        if off is not None:
            least = 2 if self._walked is None else max(self._walked.opened.place + 2, self._walked.opened.folded)
            w.drop_from(max(w.base + int(np.searchsorted(w.t, off)), least))
        if w.count > 2 and w.y[-1] < 0.8 * w.y[-2]:
            w.drop_last()  # partly after switching off
        count = w.count
        if count < 3:
            return []
        finder.rewind(count)
        level, pad = int(w.y[-3:].mean()), finder.margin  # the last level goes on: no step where the run ends
        w.append(w.time(count - 1) + self.interval * np.arange(1, pad + 1), np.full(pad, level))
        steps = [s for s in [*self._steps, *finder.advance(w, last=True)] if s.place < count]
        done: list[Passage] = []
        walk = self._walked or self._begin(steps[0].place if steps else count)
        self._walk(walk, steps, count, count, done, last=True)
        self._close(walk, count, end)
        passages, under_load, _ = walk.labels.best()
        if under_load is not None and under_load.seen:
            passages.append(under_load._replace(end=end))
        return [p._replace(end=min(p.end, end)) for p in done + passages if p.start < end]
