"""What a collector learns of its saws while it runs: when it looks, what is worth a new version, from when on it holds.

It learns from what was detected, whatever people marked, and from the newest runs only: what a moved clamp shows no
more is forgotten in the same way as it was learned.
"""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, Any

from collector.adopt import newest, settings_of
from collector.book.habits import HabitHistory, Learned
from collector.book.settings import SettingsHistory
from collector.derive import DAY_US
from collector.detect.detector import Detector
from collector.detect.habits import NEW, STOPS, Habits, learn
from collector.facts import Cut, Run
from collector.rederive import carried_from

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from sqlalchemy import Connection

    from collector.book.book import Book
    from collector.derive import Detects, Make
    from collector.detect.settings import DetectSettings
    from collector.trace.store import TraceStore

LOOK_RUNS = 20
"""Of what is known from as many runs it is looked again after so many, or"""
LOOK_US = DAY_US
"""after so long, by the trace's own time; until then after each."""
BACK_US = 2 * DAY_US
"""Nothing farther back is derived again."""
MOVED = 0.1
"""A range that moved by less than this share of its upper end says the same."""


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

    def look(self, saw: str, detector: Detects, now_us: int, fence: Callable[[Connection], None] | None) -> bool:
        """Looks at what is known of a saw; whether the book has other settings for it now than are at work.

        Args:
            saw: its name.
            detector: at work; it was at rest, and the facts before that are settled.
            now_us: the present.
            fence: for what is written, see `Book.commit`.

        Raises:
            BookError: the fence is closed.
            sqlalchemy.exc.SQLAlchemyError: the database failed; nothing was written.
        """
        rested, newest = detector.rested, detector.consumed
        if rested is None or newest is None:
            return False
        known = self._history.newest(saw)
        if self._is_due(saw, known, rested):
            self._learn(saw, known, rested, newest, now_us, fence)
        return bool(self._newest(saw) != getattr(detector, "settings", None))

    def _newest(self, saw: str) -> DetectSettings:
        return settings_of(self._book, [saw], self._base)[saw]

    def _is_due(self, saw: str, known: Learned | None, rested_us: int) -> bool:
        if known is None or known.habits.brake_seen is None or known.habits.idle_ma is None:
            return True
        looked = self._looked.setdefault(saw, known.last)
        starts = self._history.run_starts(saw, rested_us, LOOK_RUNS)
        if not starts or starts[-1] < looked:
            return False
        few = len(starts) < LOOK_RUNS or starts[0] <= known.first
        return few or starts[0] >= looked or starts[-1] >= looked + LOOK_US

    def _learn(
        self,
        saw: str,
        known: Learned | None,
        rested_us: int,
        newest_us: int,
        now_us: int,
        fence: Callable[[Connection], None] | None,
    ) -> None:
        starts = self._history.run_starts(saw, rested_us, STOPS)
        if not starts:
            return
        found = self._book.detected(saw, starts[0], rested_us, [Run.kind, Cut.kind])
        facts = [fact for fact in found if fact.start >= starts[0] and fact.end is not None]
        runs = [fact for fact in facts if isinstance(fact, Run)]
        habits = learn(facts)
        self._looked[saw] = runs[-1].end or rested_us
        before = NEW if known is None else known.habits
        better = known is not None and len(runs) >= 2 * known.stops and habits != before
        if not (better or says_else(habits, before)):
            return
        moved = before.brake_seen is not None and before.brake_seen != habits.brake_seen
        valid_from, again = self._stretch(saw, turned(runs, before) if moved else runs, newest_us)
        new = Learned(
            saw,
            valid_from,
            habits,
            len(runs),
            sum(run.stop_us is not None for run in runs),
            sum(isinstance(fact, Cut) for fact in facts),
            runs[0].start,
            self._looked[saw],
            now_us,
        )
        self._history.add(new, None if again is None else (again, newest_us), fence)

    def _stretch(self, saw: str, runs: Sequence[Run], newest_us: int) -> tuple[int, int | None]:
        """From when on facts are the new settings', and from which reading on they are derived again; None: from none.

        A derivation begins at a rest point, or where the trace does: not before that what it needs is wholly kept.
        """
        low = max(self._trace.complete_from(saw), newest_us - BACK_US)
        calibrated = self._calibrated.newest(saw)
        if calibrated is not None:  # what was before its date was found with other settings, and stays
            low = max(low, calibrated.valid_from)
        starts = (start for run in runs if (start := self._start(saw, run)) is not None and start[0] >= low)
        whole = None
        for rest, first in starts:
            if whole is None:
                whole = carried_from(self._trace, self._book, saw, rest, newest_us)
            if rest >= whole:
                return min(rest, first), first
        return newest_us, None

    def _start(self, saw: str, run: Run) -> tuple[int, int] | None:
        """Where a derivation of a run begins, and the run; None: where the trace is no more."""
        rest = self._book.rest_before(saw, run.start)
        if rest is None:
            rest = None if self._trace.complete_from(saw) else self._trace.first(saw)
        return None if rest is None else (rest, run.start)


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
