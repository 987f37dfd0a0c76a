"""The live derivations of the saws: taken up from the stores, kept up with them, begun afresh after a fault.

A derivation goes on from the newest state in the book with what the trace has since. What came late, or under a mark of
another process, is derived again between rest points. Readings at which the detector fails are put aside: they stay
without facts under a mark, and each start of the program tries them again.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from collector.book.entries import Checkpoint, NowEntry, SawCommit
from collector.derive import FOREVER, DetectorError, Make, derive_again, read_days
from collector.facts import State, iso
from collector.ingest.line import Line
from collector.rederive import carried_from
from collector.signals import Trace
from collector.troubles import ASIDE, Troubles

if TYPE_CHECKING:
    from collector.book.book import Book
    from collector.book.entries import Stretch
    from collector.ingest.learning import Learning
    from collector.ingest.tenure import Tenure
    from collector.trace.store import TraceStore

log = logging.getLogger(__name__)

_PIECE_US = 5_000_000  # of the trace is left without facts where the detector fails
_NEAR_US = 600_000_000  # stretches without facts that lie closer together are one


@dataclass(slots=True)
class Late:
    """Late readings: which the trace lacks, from when to when facts follow from them, and the marks of that."""

    span: tuple[int, int]
    readings: Trace = field(default_factory=Trace.empty)
    stretches: list[Stretch] = field(default_factory=list)

    @classmethod
    def of(cls, stretches: list[Stretch]) -> Late:
        """Readings that are in the trace already, known by their marks."""
        return cls((min(s.from_us for s in stretches), max(s.to_us for s in stretches)), stretches=stretches)


class Lines:
    """The derivations; each saw's is made when it is asked for.

    All that a method writes to the book is fenced by the tenure.

    Args:
        trace: the trace store.
        book: the book.
        settings: of the detector.
        make: makes a detector, see `collector.derive.Make`.
        tenure: of the saws.
        troubles: where it is noted that a stretch could not be derived.
        learning: whose settings the detectors have, where they are learned.
    """

    def __init__(
        self,
        trace: TraceStore,
        book: Book,
        settings: Any,
        make: Make,
        tenure: Tenure,
        troubles: Troubles,
        learning: Learning | None = None,
    ) -> None:
        self._trace = trace
        self._book = book
        self._settings = settings
        self._make = make if learning is None else learning.make
        self._learning = learning
        self._tenure = tenure
        self._troubles = troubles
        self._lines: dict[str, Line] = {}
        self._aside: set[int] = set()  # dirty stretches that this program cannot derive

    def forget(self, saw: str | None = None) -> None:
        """Lets go of one saw's derivation, or of all: they are taken up from the stores when they are asked for.

        With them go the settings that they had: what the book has by then is at work from the last rest on.
        """
        if self._learning is not None:
            self._learning.forget(saw)
        if saw is None:
            self._lines.clear()
        else:
            self._lines.pop(saw, None)

    def live(self, saw: str) -> Line | None:
        """The saw's derivation, if it was asked for since it was last let go of."""
        return self._lines.get(saw)

    def tend(self, saw: str) -> None:
        """Derives what another process committed to the trace under a mark."""
        if saw in self._lines:
            self._derive_dirty(saw)
        else:
            self.of(saw)

    def of(self, saw: str) -> Line:
        """The saw's live derivation, up to the newest committed reading."""
        line = self._lines.get(saw)
        if line is not None:
            return line
        line = self._lines[saw] = self._caught_up(saw)
        self._derive_dirty(saw)
        return self._lines[saw]

    def derive_late(self, saw: str, late: Late, fresh: Trace | None, skew: int | None) -> list[SawCommit]:
        """What the book must take after late readings; ``fresh`` are newer ones of the same group."""
        line = self._lines[saw]
        first, last = late.span
        snapshot = line.snapshot_before(first)
        if snapshot is not None:  # a little late: the state of a moment ago is still at hand
            since = self._trace.read(saw, snapshot.consumed_us + 1, FOREVER)
            return [replace(line.rewind(snapshot, since, skew), cleaned=late.stretches)]
        change = derive_again(self._trace, self._book, saw, first, last, self._settings, self._make)
        if change.from_us < self._trace.complete_from(saw):
            log.warning("saw %s: late readings follow upon a day that has aged; the facts there stay as they are", saw)
            kept = SawCommit(saw, cleaned=late.stretches)
            return [kept] if fresh is None else [kept, line.feed(fresh, skew)]
        line.forget_snapshots(first)
        if change.detector is not None:
            line.replace(change.detector, change.rests[-1] if change.rests else change.from_us)
            return [change.commit(late.stretches, skew)]
        # The state in the book may have been taken between the late readings and the rest point: it is replaced.
        if fresh is None:
            return [replace(change.commit(late.stretches), checkpoint=line.checkpoint())]
        return [change.commit(late.stretches), line.feed(fresh, skew, floor=change.to_us, keep=True)]

    def _caught_up(self, saw: str) -> Line:
        """A derivation from the checkpoint on, fed with all that is in the trace."""
        line = self._resumed(saw, self._book.checkpoint(saw))
        start = 0 if line.consumed is None else line.consumed + 1
        end = (self._trace.last(saw) or -1) + 1
        for part in read_days(self._trace, saw, start, end):
            log.info("saw %s: deriving %d readings that the book does not know yet", saw, len(part))
            try:
                self._book.commit([line.feed(part)], fence=self._tenure.fence())
            except DetectorError:
                return self._picked_over(saw)
        return line

    def _picked_over(self, saw: str) -> Line:
        """A derivation up to the newest reading, in small pieces, past those at which the detector fails."""
        line = self._resumed(saw, self._book.checkpoint(saw))
        end = 0 if line.consumed is None else line.consumed + 1
        while (at := self._trace.first(saw, end)) is not None:
            end = at + _PIECE_US
            piece = self._trace.read(saw, at, end)
            try:
                change = line.feed(piece)
            except DetectorError as error:
                change, line = self._passed_over(saw, piece, error)
            self._book.commit([change], fence=self._tenure.fence())
        return line

    def _derive_dirty(self, saw: str) -> None:
        """What was committed to the trace under a mark, and not to the book."""
        dirty = [stretch for stretch in self._book.dirty(saw) if stretch.id not in self._aside]
        if not dirty:
            return
        log.info("saw %s: deriving %d changed stretches again", saw, len(dirty))
        try:
            self._derive_marked(saw, dirty)
        except DetectorError:
            for stretch in dirty:  # one of them is at fault
                self._lines[saw] = self._caught_up(saw)
                try:
                    self._derive_marked(saw, [stretch])
                except DetectorError as error:
                    self._put_aside(saw, stretch, error)
            self._lines[saw] = self._caught_up(saw)

    def _derive_marked(self, saw: str, stretches: list[Stretch]) -> None:
        changes = self.derive_late(saw, Late.of(stretches), None, None)
        self._book.commit(changes, fence=self._tenure.fence())

    def _put_aside(self, saw: str, stretch: Stretch, error: DetectorError) -> None:
        """Leaves a stretch without facts. Its mark stays, so that each start of the program tries it again."""
        self._aside.add(stretch.id)
        period = f"{iso(stretch.from_us)} to {iso(stretch.to_us)}"
        log.error("saw %s: no facts from %s: its readings are kept", saw, period, exc_info=error)
        self._troubles.happened(ASIDE, saw, f"{period}: {error}")

    def _passed_over(self, saw: str, part: Trace, error: DetectorError) -> tuple[SawCommit, Line]:
        """Goes on afresh after readings that nothing could be derived from; what was going on ends before them."""
        near = [stretch for stretch in self._book.dirty(saw) if part.first - _NEAR_US <= stretch.to_us <= part.last]
        near = [stretch for stretch in near if stretch.id in self._aside]  # a row for each pack would fill the book
        first = min([part.first, *(stretch.from_us for stretch in near)])
        self._put_aside(saw, self._book.mark_dirty({saw: (first, part.last)})[saw], error)
        going_on = [f for f in self._book.detected(saw, part.first, part.last + 1) if f.end is None]
        ended = [replace(f, end=part.first if f.start < part.first else part.last) for f in going_on]
        now = NowEntry(saw, part.last, State.ERROR, part.first, None, None, None, None)
        afresh = Checkpoint(part.last, self._make(saw, self._settings, None).dump())
        line = Line(saw, self._settings, self._make, afresh, part.last)
        return SawCommit(saw, amended=ended, checkpoint=afresh, now=now, cleaned=near), line

    def _resumed(self, saw: str, point: Checkpoint | None) -> Line:
        """The derivation as the checkpoint left it."""
        last_rest = self._book.last_rest(saw)
        try:
            line = Line(saw, self._settings, self._make, point, last_rest)
            wanted = getattr(self._make(saw, self._settings, None), "settings", None)
            if point is None or getattr(line.detector, "settings", None) == wanted:
                return line
            if not self._is_whole(saw):
                log.warning("saw %s: readings since its last rest were lost; new settings wait for the next", saw)
                return line
            log.info("saw %s: the detector's settings changed; they hold from the last rest on", saw)
        except Exception:
            # A state of another version of the program, or a torn one: the trace says all that it said.
            log.exception("saw %s: the detector's state cannot be taken up; deriving from the last rest on", saw)
        assert point is not None  # a detector can be made afresh
        at = point.consumed_us
        try:
            # The newest rest may be later than the state, which is not written with every commit.
            change = derive_again(self._trace, self._book, saw, FOREVER, FOREVER, self._settings, self._make)
        except DetectorError as error:
            self._put_aside(saw, self._book.mark_dirty({saw: (at, at)})[saw], error)
            afresh = Checkpoint(at, self._make(saw, self._settings, None).dump())
            return Line(saw, self._settings, self._make, afresh, last_rest)
        line = Line(saw, self._settings, self._make, None, last_rest)
        if change.detector is not None and change.detector.consumed is not None:
            self._book.commit([change.commit()], fence=self._tenure.fence())
            line.replace(change.detector, change.rests[-1] if change.rests else change.from_us)
        return line

    def _is_whole(self, saw: str) -> bool:
        """Whether the trace gives the facts since the last rest again, as far as settings leave them."""
        end = (self._trace.last(saw) or 0) + 1
        start = self._book.rest_before(saw, FOREVER)
        if start is None:
            start = self._book.beginning(saw) or end
            if start < self._trace.complete_from(saw):
                return False
        return carried_from(self._trace, self._book, saw, start, end) == start
