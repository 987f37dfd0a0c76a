"""Ingest: messages in, committed trace and facts out, and then the tokens that may be acknowledged.

The order of commits is what makes it safe to die at any moment:

1. stretches that late readings touch are marked dirty in the book,
2. all readings of the group are committed to the trace,
3. the facts that follow are committed to the book, with the detectors' states, the refusals, and the marks removed,
4. the messages are acknowledged.

Dead before 2: the broker sends again. Dead before 3: at the next start the trace is ahead of the book, or a stretch is
dirty, and what is missing is derived. Dead before 4: the broker sends again what the trace already has.

Where several collectors share the stores, each saw is derived by the one that holds its lease. Another that gets its
readings commits them to the trace, marks them dirty *after* that (the owner could else derive the stretch and clean
the mark before they are there), and acknowledges: the owner finds the mark in `tend`. An owner that stood still and
comes back finds its commit refused, and becomes such another. What it had written to the trace by then its successor
may not have seen, while the messages are delivered again: so what comes again, or soon after a saw was taken over, is
derived again although the trace has it.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import Counter
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Protocol

from collector.book.entries import Checkpoint, NowEntry, SawCommit
from collector.book.held import HeldPacks
from collector.book.leases import LeaseLostError
from collector.derive import FOREVER, DetectorError, Make, derive_again, read_days
from collector.detect.detector import Detector
from collector.facts import State, iso
from collector.ingest.addresses import SECOND_BOX, Addresses
from collector.ingest.group import Group, Message, OfSaw
from collector.ingest.line import Line
from collector.ingest.tenure import Tenure
from collector.signals import Series, Trace, merge
from collector.ticks import boot, ticks
from collector.troubles import ASIDE, BOXES, CHANGED, FLOODS, Troubles
from collector.wire.pack import read_pack
from collector.wire.refusal import Refusal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from collector.book.book import Book
    from collector.book.entries import SawEntry, Stretch
    from collector.book.held import Held
    from collector.book.leases import Leases

log = logging.getLogger(__name__)

FLOOD = 5000
"""So many useless messages of a saw in a minute are a flood; what a broker repeats of its own accord stays below."""
_PIECE_US = 5_000_000  # of the trace is left without facts where the detector fails
_NEAR_US = 600_000_000  # stretches without facts that lie closer together are one


class TraceStore(Protocol):
    """A trace store as ingest uses it: `collector.trace.store.TraceStore`."""

    def write(self, saw: str, trace: Trace) -> None:
        """Adds readings; of two at one time the first is kept."""

    def commit(self) -> None:
        """Makes everything written durable."""

    def read(self, saw: str, start_us: int, end_us: int) -> Trace:
        """The readings with ``start_us <= t < end_us``."""

    def first(self, saw: str, from_us: int = 0) -> int | None:
        """Time of the earliest reading at or after ``from_us``."""

    def last(self, saw: str) -> int | None:
        """Time of the newest reading."""

    def complete_from(self, saw: str) -> int:
        """From this time on all readings are kept, of those before it minutes; 0: no day has aged."""


@dataclass(slots=True)
class Counts:
    """What an ingest did since it was made; read from any thread."""

    messages: int = 0
    refused: int = 0
    readings: int = 0
    late: int = 0
    forwarded: int = 0
    aged: int = 0
    groups: int = 0
    last_commit_us: int | None = None


@dataclass(slots=True)
class _Late:
    """Late readings: which the trace lacks, from when to when facts follow from them, and the marks of that."""

    span: tuple[int, int]
    readings: Trace = field(default_factory=Trace.empty)
    stretches: list[Stretch] = field(default_factory=list)

    @classmethod
    def of(cls, stretches: list[Stretch]) -> _Late:
        """Readings that are in the trace already, known by their marks."""
        return cls((min(s.from_us for s in stretches), max(s.to_us for s in stretches)), stretches=stretches)


class Ingest:
    """Takes messages, and settles them in groups.

    All methods may be called from any thread; they wait for one another.

    Args:
        trace: the trace store; without leases this object must be its only writer for these saws.
        book: the book; the same.
        saws: the site's saws; messages of others are refused, and of other boxes where a saw's box is named.
        settings: of the detector.
        clock: gives the present in microseconds UTC.
        site: name of the site; messages of others are refused. None: any site.
        make: makes a detector, see `collector.derive.Make`.
        leases: of this process, where others may collect for the same stores.
        troubles: where it is noted that a stretch could not be derived.
    """

    def __init__(
        self,
        trace: TraceStore,
        book: Book,
        saws: Iterable[SawEntry],
        settings: Any,
        clock: Callable[[], int],
        *,
        make: Make = Detector,
        site: str | None = None,
        leases: Leases | None = None,
        troubles: Troubles | None = None,
    ) -> None:
        self._trace = trace
        self._book = book
        self._settings = settings
        self._clock = clock
        self._make = make
        self._failed = False  # the commit before did
        self._lock = threading.RLock()
        self._lines: dict[str, Line] = {}
        self._tenure = Tenure(leases)
        self._aside: set[int] = set()  # dirty stretches that this program cannot derive
        self._held = HeldPacks(book)
        self.newly_held = False  # packs were held since `take_held` last looked at them
        self._troubles = troubles or Troubles()
        self._useless: Counter[str] = Counter()  # messages of this minute that brought nothing, by saw
        self._minute = 0.0
        self.counts = Counts()
        entries = list(saws)
        book.open_saws(entries)
        self._saws = frozenset(entry.name for entry in entries)
        self._addresses = Addresses(entries, site, _heard(book, clock()))
        self._group = Group(self._addresses)

    def catch_up(self) -> None:
        """Derives what an earlier process committed to the trace and not to the book. Also done at need by itself.

        Saws that another process works on are left to it.
        """
        with self._lock:
            if self._failed:
                self._trace.commit()
                self._failed = False
            self._enter(self._saws)
            for saw in sorted(self._saws):
                if self._tenure.ours(saw):
                    self._line(saw)

    def tend(self) -> None:
        """Derives what others committed to the trace; to be called now and then where there are others.

        Raises:
            Exception: what a store raised, or that the saws were lost to another process; call again.
        """
        with self._lock:
            waiting = [saw for saw in self._book.dirty_saws() if saw in self._saws]
            if not waiting:
                return
            try:
                self._enter(waiting)
                mine = [saw for saw in waiting if self._tenure.ours(saw)]
                for saw in mine:
                    line = self._lines.get(saw)
                    if line is None:
                        self._line(saw)
                    else:
                        self._derive_dirty(saw)
            except BaseException:
                self._lines.clear()
                raise
            for saw in self._tenure.leave(mine):
                self._lines.pop(saw, None)

    # Messages

    def take(
        self,
        topic: str,
        payload: bytes,
        received_us: int,
        retained: bool,
        token: object,
        *,
        mid: int | None = None,
        again: bool = False,
    ) -> None:
        """Takes one message; `settle` will return its token. Never raises for what the message holds.

        Args:
            topic: as received.
            payload: as received.
            received_us: time of receipt, microseconds UTC.
            retained: the broker kept the message and delivers it because of a new subscription.
            token: whatever the caller needs to acknowledge the message.
            mid: MQTT packet identifier.
            again: the broker says that it delivered the message before under the same ``mid`` (DUP).
        """
        with self._lock:
            self.counts.messages += 1
            if not self._group.take(Message(topic, payload, received_us, retained, mid, again), token):
                self.counts.refused += 1

    def settle(self) -> list[object]:
        """Commits everything taken so far.

        Returns:
            The tokens of the messages, in order of receipt: they may now be acknowledged.

        Raises:
            Exception: what a store raised. The group is kept; call again when the store is well.
        """
        with self._lock:
            group = self._group
            if not group.tokens:
                return []
            self._commit(group)
            self._group = Group(self._addresses)
            self.counts.groups += 1
            return group.tokens

    @contextmanager
    def between_commits(self) -> Iterator[None]:
        """Nothing is taken or derived during the block: for whoever changes the trace itself, for a moment."""
        with self._lock:
            yield

    def absorb(self, saw: str, trace: Trace) -> None:
        """Takes readings that came another way than through the broker, days of them at once, and commits them.

        Args:
            saw: name of one of the site's saws.
            trace: its readings.

        Raises:
            ValueError: the saw is none of the site's.
            Exception: what a store raised; call again with the same readings.
        """
        if saw not in self._saws:
            raise ValueError(f"{saw!r} is none of the site's saws: {', '.join(sorted(self._saws))}")
        with self._lock:
            group = Group(self._addresses)
            group.saws[saw] = OfSaw([trace])
            self._commit(group)

    def take_held(self) -> None:
        """Takes in the packs that came from the future and do so no more, because this computer's clock was put right.

        Raises:
            Exception: what a store raised; what was not taken in is still held.
        """
        with self._lock:
            self.newly_held = False
            key = 0
            while packs := self._held.after(key):
                key = packs[-1].id
                group = Group(self._addresses)
                taken = [pack for pack in packs if self._release(pack, group)]
                if taken:
                    self._commit(group)
                    self._held.let_go(taken)
                    log.warning("%d held packs were taken in: the clock was put right", len(taken))

    # Inside

    def _release(self, held: Held, group: Group) -> bool:
        """Whether a held pack is none of the future by the clock as it is now; then it is in the group."""
        if held.boot != boot() or held.saw not in self._saws:
            return False
        received = self._clock() - (ticks() - held.ticks_us)
        try:
            pack = read_pack(held.payload, received)
            self._addresses.check_box(held.saw, pack.box, pack.trace.first, pack.trace.last)
        except Refusal:
            return False
        group.add(held.saw, pack, received)
        return True

    def _commit(self, group: Group) -> None:
        try:
            if self._failed:
                self._trace.commit()  # what the failed attempt wrote
            self._failed = False
            try:
                self._commit_group(group)
            except LeaseLostError as lost:
                log.warning("%s; looking at the stores afresh", lost)
                self._lines.clear()
                self._commit_group(group)
        except BaseException:
            self._failed = True
            self._lines.clear()  # they may be ahead of the book; they are read from it again
            raise
        self.counts.last_commit_us = self._clock()

    def _commit_group(self, group: Group) -> None:
        group.look_up(self._book.receipt)
        self._enter(group.saws, anew=False)
        self._tenure.heard(group.saws)
        fresh: dict[str, Trace] = {}
        late: dict[str, _Late] = {}
        strange: dict[str, Trace] = {}
        for saw, of in group.saws.items():
            readings = merge(of.packs)
            self.counts.readings += len(readings)
            if self._tenure.ours(saw):
                self._sort_out(saw, readings, fresh, late, suspect=of.again or self._tenure.young(saw))
            elif len(readings):
                strange[saw] = readings
        if group.receipts:
            self._book.put_receipts(list(group.receipts.values()))
        self._write(fresh, late, strange)
        batch: list[SawCommit] = []
        for saw in {**fresh, **late}:
            of, line = group.saws[saw], self._lines[saw]
            try:
                if saw in late:
                    commits = self._derive_late(saw, late[saw], fresh.get(saw), of.clock_skew_us)
                else:
                    commits = [line.feed(fresh[saw], of.clock_skew_us)]
            except DetectorError:
                # Only this saw's facts are touched: its readings are kept, and the others go on.
                del self._lines[saw]
                self._line(saw)
                continue
            box = self._addresses.speaks(saw)  # not the newest pack's: one that was exchanged may deliver what it kept
            if box is not None and box != line.box:
                commits[-1] = replace(commits[-1], box=box)
                line.box = box
            batch += commits
        self._note_nuisances(group, {*fresh, *late, *strange})
        self._note_exchanges()
        if group.held:
            self._held.add(group.held)
            self.newly_held = True
        fence = self._tenure.fence() if batch else None
        self._book.commit(batch, group.refused.entries(), list(group.statuses.values()), fence=fence)

    def _note_nuisances(self, group: Group, new: set[str]) -> None:
        """Boxes that speak for another's saw, or send without end what brings nothing; ``new``: saws with news."""
        now = time.monotonic()
        if now - self._minute > 60:
            self._minute = now
            self._useless.clear()
        for saw, of in group.saws.items():
            if saw not in new:
                self._useless[saw] += len(of.packs)
        for entry in group.refused.entries():
            if entry.saw is not None:
                self._useless[entry.saw] += entry.occurrences
                if entry.code == SECOND_BOX:
                    self._troubles.happened(BOXES, entry.saw, entry.reason)
        for saw, count in self._useless.items():
            if count >= FLOOD:
                self._troubles.happened(FLOODS, saw, f"{count} messages within a minute: refused, or sent before.")

    def _note_exchanges(self) -> None:
        """Boxes that follow others; not where another collector of these stores heard them before, and told."""
        for saw, (before, after) in list(self._addresses.changed.items()):
            if self._book.box(saw).urn != after:
                self._troubles.happened(CHANGED, saw, f"{after} speaks for it now; before, it was {before}")
            del self._addresses.changed[saw]

    def _write(self, fresh: dict[str, Trace], late: dict[str, _Late], strange: dict[str, Trace]) -> None:
        missing = {saw: (of.readings.first, of.readings.last) for saw, of in late.items() if len(of.readings)}
        if missing:
            for saw, stretch in self._book.mark_dirty(missing).items():
                late[saw].stretches.append(stretch)
        for saw, lateness in late.items():
            self._trace.write(saw, lateness.readings)
        for saw, readings in (*fresh.items(), *strange.items()):
            self._trace.write(saw, readings)
        if fresh or missing or strange:
            self._trace.commit()
        if strange:
            self._book.mark_dirty({saw: (readings.first, readings.last) for saw, readings in strange.items()})
            self.counts.forwarded += sum(map(len, strange.values()))

    def _enter(self, saws: Iterable[str], *, anew: bool = True) -> None:
        """Takes what is free; what became ours, or ours again, is read from the stores."""
        for saw in self._tenure.enter(list(saws), anew=anew):
            self._lines.pop(saw, None)

    def _sort_out(
        self, saw: str, readings: Trace, fresh: dict[str, Trace], late: dict[str, _Late], *, suspect: bool
    ) -> None:
        """Tells new readings, late ones, and those that are known already.

        ``suspect``: of the known ones it is not sure that facts were derived from them.
        """
        if not len(readings):
            return
        consumed = self._line(saw).consumed
        if consumed is not None and readings.first <= consumed:
            old = self._young(saw, readings.between(-FOREVER, consumed + 1))
            missing = self._missing(saw, old)
            readings = readings.between(consumed + 1, FOREVER)
            self.counts.late += len(missing)
            touched = old if suspect else missing
            if len(touched):
                late[saw] = _Late((touched.first, touched.last), missing)
        if len(readings):
            fresh[saw] = readings

    def _young(self, saw: str, readings: Trace) -> Trace:
        """Those of the readings around which all others are still kept: without these, facts would be lost."""
        since = self._trace.complete_from(saw)
        young = readings.between(since, FOREVER) if since else readings
        if gone := len(readings) - len(young):
            self.counts.aged += gone
            log.warning("saw %s: %d readings are older than readings are kept, and were left out", saw, gone)
        return young

    def _missing(self, saw: str, readings: Trace) -> Trace:
        """Those of the readings that the trace store does not have."""
        if not len(readings):
            return readings
        stored = self._trace.read(saw, readings.first, readings.last + 1)
        return Trace(*(_absent(a, b) for a, b in zip(readings.series(), stored.series(), strict=True)))

    def _line(self, saw: str) -> Line:
        """The saw's live derivation, up to the newest committed reading."""
        line = self._lines.get(saw)
        if line is not None:
            return line
        line = self._lines[saw] = self._caught_up(saw)
        self._derive_dirty(saw)
        return self._lines[saw]

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
        changes = self._derive_late(saw, _Late.of(stretches), None, None)
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
            log.info("saw %s: the detector's settings changed; they hold from the last rest on", saw)
        except Exception:
            # A state of another version of the program, or a torn one: the trace says all that it said.
            log.exception("saw %s: the detector's state cannot be taken up; deriving from the last rest on", saw)
        assert point is not None  # a detector can be made afresh
        at = point.consumed_us
        try:
            change = derive_again(self._trace, self._book, saw, at, FOREVER, self._settings, self._make)
        except DetectorError as error:
            self._put_aside(saw, self._book.mark_dirty({saw: (at, at)})[saw], error)
            afresh = Checkpoint(at, self._make(saw, self._settings, None).dump())
            return Line(saw, self._settings, self._make, afresh, last_rest)
        line = Line(saw, self._settings, self._make, None, last_rest)
        if change.detector is not None and change.detector.consumed is not None:
            self._book.commit([change.commit()], fence=self._tenure.fence())
            line.replace(change.detector, change.rests[-1] if change.rests else change.from_us)
        return line

    def _derive_late(self, saw: str, late: _Late, fresh: Trace | None, skew: int | None) -> list[SawCommit]:
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


def _heard(book: Book, now_us: int) -> dict[str, tuple[str, int]]:
    """Of each saw, the box that was heard last and its newest reading, none of them later than now."""
    nows = book.nows()
    return {
        box.saw: (box.urn, min(nows[box.saw].at, now_us))
        for box in book.boxes()
        if box.urn is not None and box.saw in nows
    }


def _absent(new: Series, stored: Series) -> Series:
    if not len(new) or not len(stored):
        return new
    at = stored.t.searchsorted(new.t).clip(max=len(stored) - 1)
    absent = stored.t[at] != new.t
    return new if absent.all() else Series(new.t[absent], new.v[absent])
