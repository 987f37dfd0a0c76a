"""What a collector learns of its saws while it runs: when it looks, what is worth a new version, from when on it holds.

It learns from what a detector without habits finds in the newest runs: one that knows them would prove itself for ever,
and what a moved clamp shows no more is to be forgotten as it was learned. What people marked is not asked.
"""

from __future__ import annotations

import logging
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

from collector.adopt import newest, settings_of
from collector.book.habits import HabitHistory, Learned
from collector.book.settings import SettingsHistory
from collector.derive import DAY_US, Derivation, DetectorError, read_days
from collector.detect.detector import Detector
from collector.detect.habits import NEW, STOPS, Habits, learn
from collector.facts import SECOND, Cut, Fact, Run, iso
from collector.rederive import carried_from

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from sqlalchemy import Connection

    from collector.book.book import Book
    from collector.derive import Detects, Make
    from collector.detect.settings import DetectSettings
    from collector.trace.store import TraceStore

log = logging.getLogger(__name__)

LOOK_RUNS = 20
"""Of what is known from as many runs it is looked again after so many, or"""
LOOK_US = DAY_US
"""after so long, by the trace's own time; until then after each."""
BACK_US = 2 * DAY_US
"""Nothing farther back is derived again."""
CERTAIN_US = 20 * SECOND
"""What ended so long ago is certain, whatever comes."""
MOVED = 0.1
"""A range that moved by less than this share of its upper end says the same."""

_AFTER_US = 120 * SECOND  # so much after a run is read, to be sure of its stop
_NEAR_US = 3600 * SECOND  # to read on through a rest of less than this costs less than to begin afresh


class Learning:
    """The detector settings of one collector's saws, and how they become better known.

    Not safe for threads: `collector.ingest.ingest.Ingest` uses it under its lock.

    Args:
        book: the book.
        trace: the trace store.
        base: settings as configured.
        make: makes a detector of settings.
    """

    def __init__(self, book: Book, trace: TraceStore, base: DetectSettings, make: Make = Detector) -> None:
        self._book = book
        self._trace = trace
        self._base = base
        self._make = make
        self._history = HabitHistory(book)
        self._calibrated = SettingsHistory(book)
        self._settings: dict[str, DetectSettings] = {}
        self._looked: dict[str, int] = {}  # end of the newest run that was looked at
        self._told = newest(book)

    def make(self, saw: str, _usual: Any, state: bytes | None) -> Detects:
        """A detector with the saw's own settings, see `collector.derive.Make`."""
        return self._make(saw, self.settings(saw), state)

    def settings(self, saw: str) -> DetectSettings:
        """Settings at work: those that the book had when they were first wanted since the last `forget`."""
        found = self._settings.get(saw)
        if found is None:
            found = self._settings[saw] = self._newest(saw)
        return found

    def forget(self, saw: str | None = None) -> None:
        """Lets go of one saw's settings, or of all: the book is asked for them again."""
        if saw is None:
            self._settings.clear()
        else:
            self._settings.pop(saw, None)

    def is_told_anew(self) -> bool:
        """Whether the book got other settings or habits since this was asked last: from whomever."""
        before, self._told = self._told, newest(self._book)
        return before != self._told

    def knows_better(self, saw: str, detector: Detects) -> bool:
        """Whether the book has other settings for a saw than a detector was made with."""
        return bool(self._newest(saw) != getattr(detector, "settings", None))

    def look(self, saw: str, detector: Detects, now_us: int, fence: Callable[[Connection], None] | None) -> bool:
        """Looks at the newest runs of a saw, where that is due, and notes what they tell; whether it was due.

        Args:
            saw: its name.
            detector: at work.
            now_us: the present.
            fence: for what is written, see `Book.commit`.

        Raises:
            BookError: the fence is closed.
            sqlalchemy.exc.SQLAlchemyError: the database failed; nothing was written.
        """
        newest_us, known = detector.consumed, self._history.newest(saw)
        if newest_us is None:
            return False
        runs = self._history.runs(saw, newest_us - CERTAIN_US, STOPS)
        if not self._is_due(saw, known, runs):
            return False
        self._looked[saw] = runs[-1][1]
        new = self._learned(saw, known, runs, newest_us, now_us)
        if new is not None:
            version, again = new
            self._history.add(version, None if again is None else (again, newest_us), fence)
        return True

    def _newest(self, saw: str) -> DetectSettings:
        return settings_of(self._book, [saw], self._base)[saw]

    def _is_due(self, saw: str, known: Learned | None, runs: Sequence[tuple[int, int]]) -> bool:
        looked = self._looked.get(saw) if known is None else self._looked.setdefault(saw, known.last)
        if not runs or (looked is not None and runs[-1][0] < looked):
            return False
        if known is None or looked is None:
            return True
        newest = runs[-LOOK_RUNS:]
        few = len(newest) < LOOK_RUNS or newest[0][0] <= known.first
        return few or newest[0][0] >= looked or newest[-1][0] >= looked + LOOK_US

    def _learned(
        self, saw: str, known: Learned | None, runs: Sequence[tuple[int, int]], newest_us: int, now_us: int
    ) -> tuple[Learned, int | None] | None:
        """What the runs tell, and from which reading on facts are to be derived again; None: nothing else."""
        facts = list(self._found(saw, runs, newest_us))
        stops = [fact for fact in facts if isinstance(fact, Run)]
        if not stops:
            return None
        habits = learn(facts)
        before = NEW if known is None else known.habits
        better = known is not None and len(stops) >= 2 * known.stops and habits != before
        if not (better or says_else(habits, before)):
            return None
        moved = before.brake_seen is not None and before.brake_seen != habits.brake_seen
        valid_from, again = self._stretch(saw, turned(stops, before) if moved else stops, newest_us)
        brakes = sum(stop.stop_us is not None for stop in stops)
        cuts = sum(isinstance(fact, Cut) for fact in facts)
        first, last = stops[0].start, runs[-1][1]
        return Learned(saw, valid_from, habits, len(stops), brakes, cuts, first, last, now_us), again

    def _found(self, saw: str, runs: Sequence[tuple[int, int]], newest_us: int) -> Iterator[Fact]:
        """What a detector without habits finds of the runs, as far as the trace has them."""
        settings = replace(self.settings(saw), habits=NEW)
        for start, end in self._pieces(saw, runs, newest_us):
            detector = self._make(saw, settings, None)
            derivation = Derivation(detector)
            try:
                for part in read_days(self._trace, saw, start, end + 1):
                    derivation.feed(part)
            except DetectorError as error:
                log.warning("saw %s: nothing could be learned from %s on: %s", saw, iso(start), error)
                continue
            yield from (f for f in derivation.facts if f.end is not None and runs[0][0] <= f.start < runs[-1][1])

    def _pieces(self, saw: str, runs: Sequence[tuple[int, int]], newest_us: int) -> list[tuple[int, int]]:
        """From when to when to read, to find the runs: from a rest on until after one."""
        pieces: list[tuple[int, int]] = []
        complete = self._trace.complete_from(saw)
        for start, end in runs:
            until = min(end + _AFTER_US, newest_us)
            if pieces and start < pieces[-1][1] + _NEAR_US:
                pieces[-1] = (pieces[-1][0], until)
            elif (begin := self._begin(saw, start)) is not None and begin >= complete:
                pieces.append((begin, until))
        return pieces

    def _stretch(self, saw: str, runs: Sequence[Run], newest_us: int) -> tuple[int, int | None]:
        """From when on facts are the new settings', and from which reading on they are derived again; None: from none.

        A derivation begins at a rest point, or where the trace does: not before that what it needs is wholly kept.
        """
        low = max(self._trace.complete_from(saw), newest_us - BACK_US)
        calibrated = self._calibrated.newest(saw)
        if calibrated is not None:  # what was before its date was found with other settings, and stays
            low = max(low, calibrated.valid_from)
        whole = None
        for run in runs:
            begin = self._begin(saw, run.start)
            if begin is None or begin < low:
                continue
            if whole is None:
                whole = carried_from(self._trace, self._book, saw, begin, newest_us)
            if begin >= whole:
                return min(begin, run.start), run.start
        return newest_us, None

    def _begin(self, saw: str, at_us: int) -> int | None:
        """Where a derivation of what starts at a time begins; None: where the trace is no more."""
        rest = self._book.rest_before(saw, at_us)
        return rest if rest is not None or self._trace.complete_from(saw) else self._trace.first(saw)


def says_else(new: Habits, old: Habits) -> bool:
    """Whether habits differ by enough to derive anything again."""
    for field in fields(Habits):
        now, before = getattr(new, field.name), getattr(old, field.name)
        if isinstance(now, tuple) and isinstance(before, tuple):
            if any(abs(a - b) > MOVED * before[-1] for a, b in zip(now, before, strict=True)):
                return True
        elif now != before:
            return True
    return False


def turned(runs: Sequence[Run], old: Habits) -> Sequence[Run]:
    """The newest runs, as many as speak most against what was known of the brake: they are since the clamp was moved.

    Each stop that speaks against it counts for one, each that speaks for it against one (Page 1954).
    """
    most = total = 0
    since = len(runs)
    for i in range(len(runs) - 1, -1, -1):
        total += 1 if (runs[i].stop_us is not None) != old.brake_seen else -1
        if total > most:
            most, since = total, i
    return runs[since:]
