"""The motor's runs and cuts, from its current alone."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from collector.detect.again import AGAIN_US, LOOK, starts_again
from collector.detect.cuts import Joiner
from collector.detect.pause import LEAST_US
from collector.detect.power import PowerSwitch
from collector.detect.raw import SELDOM_US
from collector.detect.run import RunTracker
from collector.detect.small_brake import COAST_US, SmallBrake, small_brake
from collector.facts import SECOND, State

if TYPE_CHECKING:
    from collector.detect.segments import Passage
    from collector.detect.settings import DetectSettings

Ints = NDArray[np.int64]

_USUAL_US = 200_000  # a sample stands for no longer than this, however long ago the one before it was
_LEAST = 4  # samples that make a run
_BLIND_US = 2_500_000  # in a silence this long a brake comes and goes; lost packs are shorter
_STAR_US = 10 * SECOND  # star lasts no longer
_STAR_LEAST = 3  # samples of it
_STAR_MA, _STAR_SIGMAS = 150.0, 3.0  # a motor in star takes more than standstill by this, and by so much noise
_STILL = 5  # samples that tell standstill
_SIGMA = 1.4826  # standard deviation over median absolute deviation, of normal noise
_BLINK_US = 500_000  # what looks like standstill for no longer than this may be wild samples that met
_AS_BEFORE = 0.1  # ... if the current is back at the level it left,
_STARTS, _PEAK = 2.0, 3  # ... or has so many samples at least of so many times it nowhere: no motor starts on less


@dataclass(slots=True)
class MotorRun:
    """A run so far, times µs, current mA; ``end`` None: the motor is on; ``stuck``: when it could not start.

    ``flowed``: until when a current was seen after it, 0 if none was; with ``stop_us`` None it may have been longer.
    """

    start: int
    start_seen: bool
    end: int | None = None
    inrush_ma: int | None = None
    stop_us: int | None = None
    cuts: int = 0
    stuck: tuple[int, int | None] | None = None
    flowed: int = 0


@dataclass(frozen=True, slots=True)
class MotorCut:
    """A cut and the run that it belongs to."""

    passage: Passage
    run: MotorRun


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is not certain yet: ``cuts`` so far, the passage ``under_load``, and the time from which it may change.

    ``sure`` None: no run is under way.
    """

    cuts: list[MotorCut]
    under_load: Passage | None
    run: MotorRun | None
    sure: int | None


class Motor:
    """Follows the motor of one saw. Runs and cuts that are certain collect in `runs` and `cuts`.

    Args:
        settings: the detector's settings.

    Attributes:
        runs: finished runs, for the caller to take.
        cuts: certain cuts, for the caller to take.
        run: the run under way, or one whose brake may still show; None: neither.
        off_since: µs of the first sample after the motor went off; None while it is on, or unknown.
        newest_ma: the newest sample, None before the first.
        newest_at: its time, µs.
    """

    def __init__(self, settings: DetectSettings) -> None:
        self._settings = settings
        self._runs_ma = settings.on_ma + settings.on_band_ma  # a sample of so much is a running motor's
        self.runs: list[MotorRun] = []
        self.cuts: list[MotorCut] = []
        self.run: MotorRun | None = None
        self.off_since: int | None = None
        self.newest_ma: int | None = None
        self.newest_at: int | None = None
        self._last_cut_end: int | None = None
        self._last_off: int | None = None
        self._tracker: RunTracker | None = None
        self._restart()

    def _restart(self) -> None:
        self._power = PowerSwitch(self._settings.on_ma, self._settings.on_band_ma)
        self._joiner = Joiner(self._settings.pause_us, self._settings.bump_us, self._settings.floor_ma)
        # samples not handed on yet, behind the last one that was (but at the very start)
        self._t = self._ma = np.empty(0, np.int64)
        self._place = 0  # of _t[0], as the power switch counts
        self._fell_at: int | None = None  # µs at which the current of the run fell to nothing, while a brake may follow
        self._fall_seen = True  # ... and whether readings tell how
        self._silent = 0  # ... µs of a silence in which it fell, 0 if it was seen to fall
        self._low_from = 0  # µs of its last reading, or where a silence hides the fall, of the first one after it
        self._low = self._t, self._ma  # the samples since then without current
        self._after: tuple[Ints, Ints] | None = None  # current soon after that: a brake, or a new run
        self._held: tuple[Ints, Ints] | None = None  # samples after a silence: does the motor start there?
        self._still = np.empty(0, np.int64)  # the newest samples of standstill, mA
        self._standstill = self._still  # ... before the run began; none: where it began was not seen
        self.off_since = None

    @property
    def on(self) -> bool:
        """Whether the motor is running, as far as is known."""
        return self._tracker is not None and self._fell_at is None

    @property
    def doubtful(self) -> bool:
        """Whether samples wait for later ones to say if the motor is on."""
        return self._waiting or self._after is not None or self._fell_at is not None

    @property
    def _waiting(self) -> bool:
        return len(self._t) > (0 if self._fresh else 1)

    def sure_until(self, consumed: int) -> int:
        """µs before which no later run can start, if all readings up to ``consumed`` are in and none is under way."""
        start = consumed - _USUAL_US if self.newest_at is None else max(self.newest_at, consumed - _USUAL_US)
        return min(start, int(self._t[0]) - (_USUAL_US if self._fresh else 0)) if self._waiting else start

    def feed(self, t: Ints, ma: Ints) -> None:
        """Takes samples, µs and mA, in order of time."""
        if not len(t):
            return
        self.newest_ma, self.newest_at = int(ma[-1]), int(t[-1])
        if self._held is not None:
            t, ma = np.concatenate((self._held[0], t)), np.concatenate((self._held[1], ma))
            self._held = None
        before = int(self._t[-1]) if len(self._t) else int(t[0])
        at = 0
        if int(t[-1]) - before > AGAIN_US:
            silent = np.diff(t, prepend=before)
            may_start = (silent > AGAIN_US) & (ma >= self._runs_ma)
            holes = np.flatnonzero(may_start | (silent > self._settings.bridge_us)).tolist()
            for hole, end in pairwise([*holes, len(t)]):
                self._feed(t[at:hole], ma[at:hole])
                at = hole
                if int(t[hole]) - (int(t[hole - 1]) if hole else before) > self._settings.bridge_us:
                    self.lose()
                elif self.on:
                    starts = self._starts(t[hole:end], ma[hole:end])
                    if starts is None and end == len(t):
                        self._held = t[hole:], ma[hole:]
                        return
                    if starts:
                        self._part(t[hole:], ma[hole:])
        self._feed(t[at:], ma[at:])

    def _starts(self, t: Ints, ma: Ints) -> bool | None:
        """Whether the run ended in the silence before these samples and another begins there, see `starts_again`."""
        assert self._tracker is not None
        inrush, before = self._inrush(self._tracker), self._tracker.newest(LOOK)[1]
        return inrush is not None and starts_again(t, ma, before, inrush, self._runs_ma, self._settings.start_max_us)

    def _part(self, t: Ints, ma: Ints) -> None:
        """The run ended in a silence, and the next one begins after it with these samples."""
        self._hand_on(len(self._t))
        self._end_unheard()
        share = min(1.0, (int(ma[0]) / max(1, int(ma[1]))) ** 2)
        self._begin_run(int(t[0]) - round(share * _USUAL_US / 2), seen=True)

    def lose(self) -> None:
        """A silence too long to bridge: a run under way ends with its last sample."""
        if self._held is not None:
            held, self._held = self._held, None
            self._feed(*held)
        if len(self._t) and (self.on or self._after is not None):
            self._hand_on(len(self._t))
        self._conclude()  # what follows a stop may turn out to be a run, which ends here too
        if self.on:
            self._end_unheard()
        self._restart()

    def _end_unheard(self) -> None:
        """The run ended in a silence after its last sample."""
        self._silent = self._settings.bridge_us  # or more
        self._end_run(int(self._t[-1]), braked=self._settings.habits.brake_seen is not False)
        self._conclude()

    def _feed(self, t: Ints, ma: Ints) -> None:
        if not len(t):
            return
        switchings = self._power.feed(t, ma)
        if not switchings and self.on and len(self._t) == 1 and self._power.doubtful == self._power.count:
            assert self._tracker is not None
            self._collect(self._tracker.feed(t, ma))  # by far the most frequent case: it goes on running
            self._t, self._ma = t[-1:], ma[-1:]
            self._place += len(t)
            return
        self._t, self._ma = np.concatenate((self._t, t)), np.concatenate((self._ma, ma))
        for switching in switchings:
            place = self._first_running(switching.index, switching.known) if switching.on else switching.index
            self._hand_on(place - self._place)
            if switching.on:
                self._switched_on(place - self._place)
            else:
                self._switched_off(place - self._place)
        self._hand_on(self._power.doubtful - self._place)

    @property
    def _fresh(self) -> bool:
        return self._place == 0 and self.off_since is None and self._tracker is None

    def _hand_on(self, end: int) -> None:
        """Hands the samples before index ``end`` on; the last one stays as neighbour of the next."""
        new = 0 if self._fresh else 1
        if end <= new:
            return
        t, ma = self._t[new:end], self._ma[new:end]
        if self._after is not None:
            self._after = (np.concatenate((self._after[0], t)), np.concatenate((self._after[1], ma)))
            if int(self._after[0][-1]) - int(self._after[0][0]) > self._settings.brake_max_us:
                if self._only_blinked():
                    self._resume()
                else:
                    self._conclude()  # too long for a brake: it was switched on again
        elif self._tracker is not None and self._fell_at is None:
            self._collect(self._tracker.feed(t, ma))
        else:
            self.off_since = int(t[0]) if self.off_since is None else self.off_since
            self._still = np.concatenate((self._still, ma))[-_STILL:]
            if self._fell_at is not None:
                self._low = np.concatenate((self._low[0], t)), np.concatenate((self._low[1], ma))
                if int(t[-1]) > self._waits_until() and not self._small_brake().waits:
                    self._conclude()
        self._t, self._ma = self._t[end - 1 :], self._ma[end - 1 :]
        self._place += end - 1

    def _first_running(self, place: int, known: int) -> int:
        """Place of the first sample of a run that seems to begin at a place: off, a box may report seldom.

        Samples from place ``known`` on do not count: they may be here already, or not.
        """
        i = place - self._place
        doubtful = self._settings.on_ma + self._settings.on_band_ma * 9 // 10  # two more had to be seen then
        while self._place + i + 2 < known and int(self._t[i + 1]) - int(self._t[i]) > SELDOM_US:
            if min(self._ma[i], self._ma[i + 1]) > doubtful:
                break
            i += 1
        return self._place + i

    def _switched_on(self, index: int) -> None:
        first = int(self._t[index])
        seen = not self._fresh
        self.off_since = None
        before = int(self._t[index - 1]) if index else first - _USUAL_US // 2
        earliest = before if first - before <= _BLIND_US else first  # a lost pack hides where it began
        if self._fell_at is not None and earliest <= self._waits_until():
            if self._was_star():
                self._resume()
                return
            if earliest - self._low_from <= COAST_US:
                self._after = (self._t[:0], self._ma[:0])
                return
        self._conclude()
        interval = min(first - before, _USUAL_US)
        share = min(1.0, (int(self._ma[index]) / max(1, int(self._ma[index + 1]))) ** 2)
        self._begin_run(first - round(share * interval), seen=seen)
        self._standstill = self._still if seen else self._still[:0]

    def _waits_until(self) -> int:
        """µs until which current that comes back may still belong to the run whose current fell."""
        assert self.run is not None
        assert self._fell_at is not None
        coasts, star = self._low_from + COAST_US, self.run.start + _STAR_US
        return max(coasts, star) if self._fell_at < star else coasts

    def _was_star(self) -> bool:
        """Whether the current that fell soon after the start was that of a small motor idling in star."""
        assert self.run is not None
        assert self._fell_at is not None
        low, still = self._low[1], self._standstill
        if not len(still) or self._fell_at - self.run.start > _STAR_US or len(low) < _STAR_LEAST:
            return False
        level = float(np.median(low))
        noise = _SIGMA * float(np.median(np.abs(low - level)))  # the first ones are on their way down
        unsure = noise * (1 / len(still) + 1 / len(low)) ** 0.5
        return bool(level - float(np.median(still)) > max(_STAR_MA, _STAR_SIGMAS * unsure))

    def _small_brake(self) -> SmallBrake:
        """What followed the fall, see `small_brake`; nothing, where a silence hides the fall."""
        assert self._tracker is not None
        before, still = float(np.median(self._tracker.newest(_LEAST)[1])), self._standstill
        still = still if self._fall_seen else still[:0]
        return small_brake(*self._low, self._low_from, before, still, self._settings.brake_max_us)

    def _only_blinked(self) -> bool:
        """Whether the current was gone for a moment only and came back as it was: no motor starts like that."""
        assert self._tracker is not None
        assert self._after is not None
        (t, ma), (low_t, _) = self._after, self._low
        if not len(low_t) or int(t[0]) - int(low_t[0]) > _BLINK_US:
            return False
        _, before = self._tracker.newest(4)
        # No more than decides it when each sample comes alone: a chunk may bring many that came after.
        ma = ma[: int(np.searchsorted(t, int(t[0]) + self._settings.brake_max_us, side="right")) + 1]
        first = ma[: int(np.searchsorted(t, int(t[0]) + SECOND))]
        level = float(np.median(before))
        if len(ma) >= _PEAK and np.partition(ma, -_PEAK)[-_PEAK] < _STARTS * level:
            return True
        return bool(abs(float(np.median(first)) - level) < _AS_BEFORE * level and first[0] < (1 + _AS_BEFORE) * level)

    def _resume(self) -> None:
        """The run whose current seemed to have fallen goes on."""
        assert self._tracker is not None
        after, self._after = self._after, None
        self._fell_at = None
        self._collect(self._tracker.feed(*self._low))
        if after is not None:
            self._collect(self._tracker.feed(*after))

    def _begin_run(self, start: int, *, seen: bool) -> None:
        self._tracker = RunTracker(self._settings, start, seen=seen)
        self.run = MotorRun(start, seen)
        self.off_since = None

    def _switched_off(self, index: int) -> None:
        """The sample at ``index`` is the first without current; all before it are handed on."""
        if self._after is not None:
            end, heard = int(self._t[index - 1]), int(self._t[index]) - int(self._t[index - 1]) <= SELDOM_US
            brake, self._after = self._after[0], None
            is_brake = len(brake) > 1 and not (heard and end - int(brake[0]) < LEAST_US)  # else noise of standstill
            self._conclude(braked_until=end if is_brake else None, end_heard=heard)
        elif self.on:
            self._fell_at = self._off_time(index)
            silent = int(self._t[index]) - int(self._t[index - 1])
            self._fall_seen, self._silent = silent <= _BLIND_US, silent if silent > SELDOM_US else 0
            self._low_from = self._fell_at if self._fall_seen else int(self._t[index])
            self._low = self._t[:0], self._ma[:0]

    def _off_time(self, index: int) -> int:
        """When the current fell to nothing: mean squares of the two samples round the change share its intervals."""
        assert self._tracker is not None
        t, ma = self._tracker.newest(4)
        if len(t) < 3:
            return int(t[-1])
        few = sorted(ma[:-1].tolist())
        level: float = max(1.0, (few[(len(few) - 1) // 2] + few[len(few) // 2]) / 2)
        off = int(self._t[index])
        spans = (int(t[-1]) - int(t[-2]), min(off - int(t[-1]), _USUAL_US))
        shares = (min(1.0, (float(v) / level) ** 2) for v in (ma[-1], self._ma[index]))
        return int(t[-2]) + round(sum(span * share for span, share in zip(spans, shares, strict=True)))

    def _end_run(self, end: int, *, braked: bool) -> None:
        """The run's last sample is in; with ``braked`` its last level may be a brake's."""
        assert self._tracker is not None
        assert self.run is not None
        tracker, self._tracker = self._tracker, None
        self._fell_at = None
        if tracker.samples < _LEAST:
            self.run = None
            return
        still = self._low[1][: int(np.searchsorted(self._low[0], self._low_from + COAST_US, side="right"))]
        passages, stop = tracker.finish(end, braked=braked, quiet=still, silent_us=self._silent)
        self._last_off = stop.end
        self.run.end, self.run.stop_us, self.run.inrush_ma = stop.end, stop.brake_us, self._inrush(tracker)
        self.run.flowed = max(end, stop.end)
        self.run.stuck = tracker.watch.spell(stop.end) if self.run.start_seen else None
        self._cut(self._joiner.feed(passages, None))

    def _conclude(self, *, braked_until: int | None = None, end_heard: bool = True) -> None:
        """The last run is over. Current that followed it was its brake up to a time, or else is the next run.

        Where the end of that brake was not heard, nobody knows how long it took.
        """
        after, self._after = self._after, None
        if self._fell_at is not None:
            fell_at = self._fell_at
            if after is None and braked_until is None:
                braked_until = self._small_brake().until
            if braked_until is not None and not self._fall_seen:
                fell_at = max(fell_at, self._low_from - COAST_US)  # it fell so soon before the brake's current
            if not self._fall_seen:
                self._silent = self._settings.bridge_us  # as much is hidden: a pause is the least that tells of a brake
            heard = self._fall_seen or self._settings.habits.brake_seen is not False
            self._end_run(fell_at, braked=after is None and braked_until is None and heard)
            if self.run is not None and braked_until is not None:
                self.run.stop_us, self.run.flowed = braked_until - fell_at if end_heard else None, braked_until
        if self.run is not None and self._tracker is None:
            self.runs.append(self.run)
            self.run = None
        if after is not None and len(after[0]):
            self._begin_run(int(after[0][0]), seen=True)
            assert self._tracker is not None
            self._collect(self._tracker.feed(*after))

    def _collect(self, passages: list[Passage]) -> None:
        assert self._tracker is not None
        self._cut(self._joiner.feed(passages, self._tracker.earliest))

    def _cut(self, passages: list[Passage]) -> None:
        assert self.run is not None
        if passages:
            self._last_cut_end = passages[-1].end
        self.cuts += [MotorCut(p, self.run) for p in passages]
        self.run.cuts += len(passages)

    def _inrush(self, tracker: RunTracker) -> int | None:
        return tracker.inrush_ma if self.run is not None and self.run.start_seen else None

    def outlook(self) -> Outlook:
        """What is not certain yet, as far as the samples so far tell."""
        run, tracker = self.run, self._tracker
        if tracker is None or run is None:
            return Outlook([], None, None, None)
        if tracker.samples < _LEAST:
            return Outlook([], None, None, run.start)
        passages, under_load = tracker.preview()
        if under_load is not None and (
            under_load.start < run.start or under_load.total <= under_load.n * under_load.idle
        ):
            under_load = None  # as far as it is seen it is no load on this run: what follows may make it one
        newest = tracker.newest_at
        if self._fell_at is not None and under_load is not None:
            # One before which idle was not seen waits for the run's end: it may be all that the run was.
            ended = [under_load._replace(end=self._fell_at)] if under_load.seen else []
            passages, under_load = [*passages, *ended], None
        ahead = self._joiner.ahead(passages, None if self._fell_at else under_load.start if under_load else newest)
        held = self._joiner.held_from
        sure = tracker.earliest if held is None else min(tracker.earliest, held)
        inrush = self._inrush(tracker)
        stuck = tracker.watch.spell(self._fell_at) if run.start_seen else None
        known = MotorRun(run.start, run.start_seen, self._fell_at, inrush, run.stop_us, run.cuts, stuck)
        return Outlook([MotorCut(p, known) for p in ahead], under_load, known, sure)

    def state(self, outlook: Outlook, at: int) -> tuple[State, int]:
        """State and since when (µs), as of the newest reading at ``at``."""
        run, load = outlook.run, outlook.under_load
        if run is None or run.end is not None:
            since = self._last_off if run is None else run.end
            since = self.off_since if since is None else since
            return State.STANDBY, at if since is None else since
        if load is not None and load.end - load.start >= self._settings.bump_us:
            return State.WORKING, load.start
        ends = [c.passage.end for c in outlook.cuts] or [self._last_cut_end or run.start]
        return State.READY, max(run.start, ends[-1])
