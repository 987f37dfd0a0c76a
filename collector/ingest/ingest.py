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
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from collector.book.held import HeldPacks
from collector.book.leases import LeaseLostError
from collector.derive import FOREVER, DetectorError, Make
from collector.detect.detector import Detector
from collector.facts import Run, State
from collector.ingest.addresses import Addresses
from collector.ingest.group import Group, Message, OfSaw
from collector.ingest.learning import CERTAIN_US, Learning
from collector.ingest.lines import Late, Lines
from collector.ingest.nuisances import Nuisances
from collector.ingest.tenure import Tenure
from collector.signals import Trace, absent, merge
from collector.ticks import boot, ticks
from collector.troubles import Troubles
from collector.wire.pack import read_pack
from collector.wire.refusal import Refusal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from collector.book.book import Book
    from collector.book.entries import SawCommit, SawEntry
    from collector.book.held import Held
    from collector.book.leases import Leases
    from collector.trace.store import TraceStore

log = logging.getLogger(__name__)


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
        learning: gives the detectors their settings, instead of ``settings`` and ``make``, and learns by `learn`.
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
        learning: Learning | None = None,
    ) -> None:
        self._trace = trace
        self._book = book
        self._clock = clock
        self._failed = False  # the commit before did
        self._lock = threading.RLock()
        self._tenure = Tenure(leases)
        troubles = troubles or Troubles()
        self._lines = Lines(trace, book, settings, make, self._tenure, troubles, learning)
        self._learning = learning
        self._nuisances = Nuisances(troubles)
        self._held = HeldPacks(book)
        self.newly_held = False  # packs were held since `take_held` last looked at them
        self.counts = Counts()
        entries = list(saws)
        book.open_saws(entries)
        self._saws = frozenset(entry.name for entry in entries)
        # Of these there is something to learn, once they stand some time after the moment beside them.
        self._ripe = dict.fromkeys(self._saws, 0)
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
                    self._lines.of(saw)

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
                    self._lines.tend(saw)
            except BaseException:
                self._lines.forget()
                raise
            self._ripe.update(dict.fromkeys(mine, 0))
            for saw in self._tenure.leave(mine):
                self._lines.forget(saw)

    def learn(self) -> None:
        """Looks at saws whose motor was switched off; to be called now and then.

        What is new of one of them is at work when this returns, also for the past from which it was learned. Others
        are looked at when it is called again: nobody's readings wait for all of them.

        Raises:
            Exception: what a store raised, or that the saws were lost to another process; call again.
        """
        with self._lock:
            if self._learning is None or self._failed:
                return
            if self._learning.is_told_anew():
                live = {saw: line.consumed or 0 for saw in self._saws if (line := self._lines.live(saw))}
                self._ripe = live | self._ripe
            for saw in sorted(self._ripe):
                line = self._lines.live(saw)
                if line is None or not self._tenure.ours(saw):
                    continue
                at = line.detector.consumed
                if at is None or at < self._ripe[saw] + CERTAIN_US or line.detector.now().state is not State.STANDBY:
                    continue
                del self._ripe[saw]
                try:
                    looked = self._learning.look(saw, line.detector, self._clock(), self._tenure.fence())
                    if self._learning.knows_better(saw, line.detector):
                        log.info("saw %s: its habits or settings are known anew, and taken", saw)
                        self._lines.forget(saw)
                        self._lines.of(saw)
                        return
                    if looked:
                        return
                except BaseException:
                    self._lines.forget()
                    raise

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
                self._lines.forget()
                self._commit_group(group)
        except BaseException:
            self._failed = True
            self._lines.forget()  # they may be ahead of the book; they are read from it again
            raise
        self.counts.last_commit_us = self._clock()

    def _commit_group(self, group: Group) -> None:
        group.look_up(self._book.receipt)
        self._enter(group.saws, anew=False)
        self._tenure.heard(group.saws)
        fresh: dict[str, Trace] = {}
        late: dict[str, Late] = {}
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
            of, line = group.saws[saw], self._lines.of(saw)
            try:
                if saw in late:
                    commits = self._lines.derive_late(saw, late[saw], fresh.get(saw), of.clock_skew_us)
                else:
                    commits = [line.feed(fresh[saw], of.clock_skew_us)]
            except DetectorError:
                # Only this saw's facts are touched: its readings are kept, and the others go on.
                self._lines.forget(saw)
                self._lines.of(saw)
                continue
            box = self._addresses.speaks(saw)  # not the newest pack's: one that was exchanged may deliver what it kept
            if box is not None and box != line.box:
                commits[-1] = replace(commits[-1], box=box)
                line.box = box
            batch += commits
        self._nuisances.of(group, {*fresh, *late, *strange})
        self._nuisances.exchanges(self._addresses, self._book)
        if group.held:
            self._held.add(group.held)
            self.newly_held = True
        fence = self._tenure.fence() if batch else None
        self._book.commit(batch, group.refused.entries(), list(group.statuses.values()), fence=fence)
        self._ripen(batch)

    def _ripen(self, batch: list[SawCommit]) -> None:
        for entry in batch:
            ends = [f.end for f in (*entry.facts, *entry.amended) if isinstance(f, Run) and f.end is not None]
            if ends:
                self._ripe.setdefault(entry.saw, max(ends))

    def _write(self, fresh: dict[str, Trace], late: dict[str, Late], strange: dict[str, Trace]) -> None:
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
            self._lines.forget(saw)

    def _sort_out(
        self, saw: str, readings: Trace, fresh: dict[str, Trace], late: dict[str, Late], *, suspect: bool
    ) -> None:
        """Tells new readings, late ones, and those that are known already.

        ``suspect``: of the known ones it is not sure that facts were derived from them.
        """
        if not len(readings):
            return
        consumed = self._lines.of(saw).consumed
        if consumed is not None and readings.first <= consumed:
            old = self._young(saw, readings.between(-FOREVER, consumed + 1))
            missing = self._missing(saw, old)
            readings = readings.between(consumed + 1, FOREVER)
            self.counts.late += len(missing)
            touched = old if suspect else missing
            if len(touched):
                late[saw] = Late((touched.first, touched.last), missing)
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
        return Trace(*(absent(a, b) for a, b in zip(readings.series(), stored.series(), strict=True)))


def _heard(book: Book, now_us: int) -> dict[str, tuple[str, int]]:
    """Of each saw, the box that was heard last and its newest reading, none of them later than now."""
    nows = book.nows()
    return {
        box.saw: (box.urn, min(nows[box.saw].at, now_us))
        for box in book.boxes()
        if box.urn is not None and box.saw in nows
    }
