"""The detector: one saw's readings in, facts and the present state out."""

from __future__ import annotations

import pickle
import zlib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from collector.detect.doors import visit_facts
from collector.detect.habits import learn
from collector.detect.motor import Motor, MotorRun, Outlook
from collector.detect.settings import DetectSettings
from collector.detect.starting import CANNOT_START
from collector.detect.switches import SwitchLog
from collector.facts import SECOND, Conflict, Cut, Direction, Fact, Gap, Now, Run, State
from collector.signals import distinct

if TYPE_CHECKING:
    from collections.abc import Iterator

    from collector.detect.segments import Passage
    from collector.signals import Trace

_SLICE = 32_768  # samples taken at once: arrays that stay in a processor's cache
_EDGE_US = 400_000  # a lock that moved so near to a cut's ends moved before or after it
_STATE = b"kerfbook detector 12\n"  # raise it when what a state holds changes: an old one is then derived again
_KEEP_US = 90 * SECOND  # what ended longer ago than this concerns nothing that is open
_DOOR_OPEN = 0


@dataclass(frozen=True, slots=True)
class Facts:
    """News.

    The facts replace everything known that starts at or after ``settled_from``; a fact that starts before it
    replaces the one of the same kind and start.
    """

    settled_from: int
    facts: list[Fact]


class Detector:
    """Streaming detection for one saw, without clock and I/O: any chunking of the readings gives the same facts.

    Args:
        saw: the saw's name.
        settings: what to take for granted.
        state: of `dump`, to go on exactly there.

    Raises:
        ValueError: the state was written by another version, or is torn.

    Attributes:
        consumed: µs of the newest reading taken, None before the first.
        rested: µs of a reading from which on the facts do not depend on what was before it, but for the switches'
            reports of the minute before; None before there is such a reading.
    """

    def __init__(self, saw: str, settings: DetectSettings | None = None, state: bytes | None = None) -> None:
        if state is not None:
            if not state.startswith(_STATE):
                raise ValueError("this state of a detector was written by another version; derive from the last rest")
            try:
                self.__dict__.update(pickle.loads(zlib.decompress(state[len(_STATE) :])))  # noqa: S301 (our own store)
            except Exception as error:
                raise ValueError("this state of a detector is torn; derive from the last rest") from error
            return
        self.saw = saw
        self.settings = s = settings or DetectSettings()
        self.consumed: int | None = None
        self.rested: int | None = None
        self._motor = Motor(s)
        self._lock = SwitchLog(s.debounce_us, s.stale_us)
        self._station = SwitchLog(s.debounce_us, s.stale_us)
        self._door = SwitchLog(s.debounce_us, s.stale_us)
        self._runs: list[MotorRun] = []  # finished ones that a door visit may still have to do with
        self._news: list[Fact] = []  # certain, not returned yet
        self._sure = -(1 << 62)  # what starts before this was returned for good
        self._doors_until = -(1 << 62)  # door visits that ended before this were returned for good
        self._outlook: Outlook | None = None
        self._at_door: list[Fact] = []  # what the outlook means for the door
        self._ahead: dict[Passage, Cut] = {}  # the cuts of the last outlook: the same passage is the same cut

    def feed(self, trace: Trace) -> None:
        """Takes readings, each signal in order of time and later than all that it was fed before."""
        for part in _slices(trace):
            self._feed(part)

    def _feed(self, part: Trace) -> None:
        self._outlook = None
        last = part.last
        for at, before in self._silences(part):
            self._news.append(Gap(self.saw, before, at))
            if at - before > self.settings.bridge_us:
                self._take(part.between(part.first, at))
                self._motor.lose()
                part = part.between(at, last + 1)
        self._take(part)
        self.consumed = last
        self._note_rest()

    def _silences(self, part: Trace) -> list[tuple[int, int]]:
        """(first reading after, last reading before) each silence of the box, in order."""
        silence, motor = self.settings.silence_us, part.motor.t
        before = part.first if self.consumed is None else self.consumed
        if part.last - before <= silence:
            return []
        if len(motor) and max(int(motor[0]) - before, part.last - int(motor[-1])) <= silence:
            longest = int((motor[1:] - motor[:-1]).max(initial=0))
            if longest <= silence:
                return []
        times = distinct(np.concatenate([[before], *(s.t for s in part.series())]))
        holes = np.flatnonzero(np.diff(times) > silence)
        return list(zip(times[holes + 1].tolist(), times[holes].tolist(), strict=True))

    def _take(self, part: Trace) -> None:
        for log, series in ((self._lock, part.lock), (self._station, part.station), (self._door, part.door)):
            log.feed(series.t, series.v)
        self._motor.feed(part.motor.t, part.motor.v.astype(np.int64))
        self._runs += self._motor.runs
        self._news += [_run_fact(self.saw, r) for r in self._motor.runs]
        self._news += [f for r in self._motor.runs for f in _conflicts(self.saw, r)]
        self._news += [self._cut_fact(c.passage) for c in self._motor.cuts]
        self._motor.runs, self._motor.cuts = [], []

    def _note_rest(self) -> None:
        motor = self._motor
        if motor.run is None and not motor.doubtful and motor.off_since is not None and motor.newest_at is not None:
            still = motor.newest_at - motor.off_since >= self.settings.rest_us
            if still and self._door.settled(_DOOR_OPEN, motor.newest_at):
                self.rested = motor.newest_at

    def dump(self) -> bytes:
        """The state, to go on from exactly here."""
        lasting = self.__dict__ | {"_outlook": None, "_at_door": [], "_ahead": {}}
        return _STATE + zlib.compress(pickle.dumps(lasting, protocol=5), 1)

    # facts

    def facts(self) -> Facts:
        """The news since the last call."""
        if self.consumed is None:
            return Facts(self._sure, [])
        outlook = self._look()
        settled_from, tail = self._sure, self._tail(outlook)
        facts = sorted([*self._news, *tail], key=lambda f: (f.start, f.kind))
        sure = self._motor.sure_until(self.consumed) if outlook.sure is None else min(outlook.sure, self.consumed)
        self._sure = max(self._sure, sure)
        self._news = [f for f in self._news if f.start >= self._sure]  # the next call replaces these: say them again
        self._forget()
        return Facts(settled_from, facts)

    def _look(self) -> Outlook:
        if self._outlook is None:
            self._outlook = self._motor.outlook()
            self._at_door = self._door_facts(self._outlook)
        return self._outlook

    def _tail(self, outlook: Outlook) -> list[Fact]:
        ahead = self._ahead
        self._ahead = {c.passage: ahead.get(c.passage) or self._cut_fact(c.passage) for c in outlook.cuts}
        tail: list[Fact] = [*self._ahead.values()]
        under_load, run = outlook.under_load, outlook.run
        if run is not None:
            going_on = under_load is not None and under_load.end - under_load.start >= self.settings.bump_us
            if under_load is not None and going_on:
                tail.append(self._cut_fact(under_load, going_on=True))
            tail.append(_run_fact(self.saw, run, more=len(outlook.cuts) + going_on))
        return tail + self._at_door

    def _door_facts(self, outlook: Outlook) -> list[Fact]:
        assert self.consumed is not None
        runs = [*self._runs, *([outlook.run] if outlook.run is not None else [])]
        found: list[Fact] = []
        for opened, closed in self._door_visits(self.consumed):
            found += visit_facts(self.saw, opened, closed, runs, self.consumed, self.settings)
        return found if outlook.run is None else found + _conflicts(self.saw, outlook.run)

    def _door_visits(self, now: int) -> list[tuple[int, int | None]]:
        return [v for v in self._door.steady(_DOOR_OPEN, now) if v[1] is None or v[1] > self._doors_until]

    def _forget(self) -> None:
        """What a visit, a lock or a run was is not asked for any more once nothing that is open can need it."""
        keep = self._sure - _KEEP_US
        for opened, closed in self._door_visits(self._sure):
            if closed is not None and closed < keep:
                self._doors_until = max(self._doors_until, closed)
            else:
                keep = min(keep, opened - _KEEP_US)
        self._door.forget(keep)
        self._lock.forget(self._sure - _KEEP_US)
        self._station.forget(self._sure - _KEEP_US)
        self._runs = [r for r in self._runs if max(r.end or 0, r.flowed) >= keep]

    def _cut_fact(self, p: Passage, *, going_on: bool = False) -> Cut:
        inner = (p.start + _EDGE_US, p.end - _EDGE_US) if p.end - p.start > 4 * _EDGE_US else (p.start, p.end)
        share = self._lock.share(*inner)
        locked, free = share.get(1, 0), share.get(0, 0)
        direction = Direction.UNKNOWN
        if 2 * (locked + free) >= inner[1] - inner[0]:
            direction = Direction.VERTICAL if locked > free else Direction.HORIZONTAL
        moved = min(locked, free) >= self.settings.debounce_us
        station = self._station.at((p.start + p.end) // 2) if direction is Direction.VERTICAL else None
        mean = round(p.total / p.n)
        end = None if going_on else p.end
        return Cut(self.saw, p.start, end, direction, mean, max(p.top, mean), round(p.idle), moved, station)

    # the present

    def now(self) -> Now:
        """The present state, as of the newest reading.

        Raises:
            ValueError: nothing was fed yet.
        """
        if self.consumed is None:
            raise ValueError("no reading has been fed yet: there is no present state")
        at, outlook = self.consumed, self._look()
        state, since = self._motor.state(outlook, at)
        open_conflicts = [f for f in self._at_door if isinstance(f, Conflict) and f.end is None]
        if open_conflicts:
            state, since = State.ERROR, open_conflicts[0].start
        door, lock = self._door.at(at), self._lock.at(at)
        locked, closed = None if lock is None else bool(lock), None if door is None else bool(door)
        return Now(at, state, since, self._motor.newest_ma, locked, self._station.at(at) if lock else None, closed)


def derive(saw: str, trace: Trace, settings: DetectSettings | None = None) -> list[Fact]:
    """All facts of a whole trace, in order of start; what is open at its end has no end."""
    detector = Detector(saw, settings)
    detector.feed(trace)
    return detector.facts().facts


def derive_knowing(saw: str, trace: Trace, settings: DetectSettings | None = None) -> list[Fact]:
    """As `derive`, by a detector that knows the saw's habits, learned from the facts of the same trace."""
    settings = settings or DetectSettings()
    return derive(saw, trace, replace(settings, habits=learn(derive(saw, trace, settings))))


def _run_fact(saw: str, run: MotorRun, more: int = 0) -> Run:
    return Run(saw, run.start, run.end, run.inrush_ma, run.stop_us, run.cuts + more)


def _conflicts(saw: str, run: MotorRun) -> list[Fact]:
    if run.stuck is None:
        return []
    start, end = run.stuck
    # A motor that was off again before the ten seconds were over stood no more when it would have been told.
    return [Conflict(saw, start, end, CANNOT_START)] if end is None or start < end else []


def _slices(trace: Trace) -> Iterator[Trace]:
    """The trace in parts of at most `_SLICE` motor samples."""
    if not len(trace):
        return
    t = trace.motor.t
    if len(t) <= _SLICE:
        yield trace
        return
    at = trace.first
    for i in range(_SLICE, len(t), _SLICE):
        yield trace.between(at, int(t[i]))
        at = int(t[i])
    yield trace.between(at, trace.last + 1)
