"""Deriving facts from a trace: in the small (a detector at work), and again (a stretch whose trace changed).

A rest point is a time from which a derivation may start afresh with the same result: the facts from there on are
those that the whole trace gives. Between two of them facts can be replaced without touching any other.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from collector.book.entries import Checkpoint, NowEntry, SawCommit, Stretch
from collector.book.rows import order
from collector.facts import SECOND, Fact, Now
from collector.signals import Series, Trace

if TYPE_CHECKING:
    from collector.book.book import Book

REST_SPACING_US = 60 * SECOND
"""Rest points closer than this are not worth a row."""

DAY_US = 86_400 * SECOND
_FEED_US = 3600 * SECOND  # one feed's readings at most: leaves a rest point an hour in bulk history
FOREVER = 2**62
_SWITCHES_US = 60 * SECOND  # a rest point needs the switches' reports of the minute before it

Key = tuple[int, str, str]
"""Start and kind of a fact, and what kind of conflict: `collector.book.rows.order`."""


class DetectorError(Exception):
    """A detector raised at readings of its saw: a fault of the program. The cause is the chained exception."""


class Found(Protocol):
    """What `Detects.facts` returns: news.

    The facts replace everything known with ``start >= settled_from``; one that starts before replaces the one of the
    same kind and start.
    """

    @property
    def settled_from(self) -> int:
        """From here on everything known is replaced."""

    @property
    def facts(self) -> Sequence[Fact]:
        """The facts, open ones with end None."""


class Detects(Protocol):
    """A detector as this module uses it: `collector.detect.detector.Detector`."""

    @property
    def consumed(self) -> int | None:
        """Time of the newest reading fed."""

    @property
    def rested(self) -> int | None:
        """The newest rest point."""

    def feed(self, trace: Trace) -> None:
        """Takes readings that are all later than those fed before."""

    def facts(self) -> Found:
        """The news since the call before."""

    def now(self) -> Now:
        """The present."""

    def dump(self) -> bytes:
        """The state, to go on from later."""


Make = Callable[[str, Any, bytes | None], Detects]
"""Makes a detector of a saw's name, settings and a dumped state (None: afresh)."""


class TraceReader(Protocol):
    """The part of a trace store that a derivation reads."""

    def read(self, saw: str, start_us: int, end_us: int) -> Trace:
        """The readings with ``start_us <= t < end_us``."""

    def first(self, saw: str, from_us: int = 0) -> int | None:
        """Time of the earliest reading at or after ``from_us``."""

    def last(self, saw: str) -> int | None:
        """Time of the newest reading."""


class Derivation:
    """A detector at work, and what its feeds changed since this object was made.

    Attributes:
        detector: the detector.
        from_us: everything from here on may differ from what was known before; None before the first feed.
        facts: the facts from ``from_us`` on, in order.
        amended: facts that start before ``from_us`` and replace those of the same kind and start.
        rests: new rest points, from ``rests_from`` on and a minute apart.
    """

    def __init__(self, detector: Detects, rests_from: int = 0) -> None:
        self.detector = detector
        self.from_us: int | None = None
        self.facts: list[Fact] = []
        self.amended: dict[Key, Fact] = {}
        self.rests: list[int] = []
        self._next_rest = rests_from

    def feed(self, trace: Trace) -> None:
        """Feeds the readings, in parts of an hour."""
        for part in _parts(trace):
            try:
                self.detector.feed(part)
                found = self.detector.facts()
            except Exception as error:
                raise DetectorError(f"{type(error).__name__}: {error}") from error
            if self.from_us is None or found.settled_from < self.from_us:
                self.from_us = found.settled_from
            while self.facts and self.facts[-1].start >= found.settled_from:
                self.facts.pop()
            facts = sorted(found.facts, key=order)
            known = bisect_left(facts, found.settled_from, key=_start)
            for fact in facts[:known]:
                self._amend(fact)
            self.facts += facts[known:]
            rested = self.detector.rested
            if rested is not None and rested >= self._next_rest:
                self.rests.append(rested)
                self._next_rest = rested + REST_SPACING_US

    def _amend(self, fact: Fact) -> None:
        at = bisect_left(self.facts, order(fact), key=order)
        if at < len(self.facts) and order(self.facts[at]) == order(fact):
            self.facts[at] = fact
        else:
            self.amended[order(fact)] = fact


def _start(fact: Fact) -> int:
    return fact.start


def _parts(trace: Trace) -> Iterator[Trace]:
    if not len(trace):
        return
    last = trace.last
    if last - trace.first < _FEED_US:
        yield trace
        return
    at = trace.first
    while at <= last:
        part = trace.between(at, at + _FEED_US)
        yield part
        later = [s.t[i] for s in trace.series() if (i := int(np.searchsorted(s.t, at + _FEED_US))) < len(s)]
        at = int(min(later)) if later else last + 1  # skips silences


@dataclass(frozen=True, slots=True)
class Change:
    """What deriving a stretch again gave.

    ``before`` are the facts in the book with ``from_us <= start < to_us`` (None: no end), ``after`` what they must be.
    Where the stretch reaches the newest reading, ``detector`` stands there and must replace a live one.
    """

    saw: str
    from_us: int
    to_us: int | None
    before: list[Fact]
    after: list[Fact]
    rests: list[int]
    detector: Detects | None

    def commit(self, cleaned: Sequence[Stretch] = (), clock_skew_us: int | None = None) -> SawCommit:
        """The change as the book takes it."""
        detector = self.detector
        at = None if detector is None else detector.consumed
        return SawCommit(
            self.saw,
            replace_from_us=self.from_us,
            replace_to_us=self.to_us,
            facts=self.after,
            checkpoint=None if detector is None or at is None else Checkpoint(at, detector.dump()),
            now=None if detector is None or at is None else NowEntry.of(self.saw, detector.now(), clock_skew_us),
            cleaned=cleaned,
            rests_from_us=self.from_us + 1,
            rests=self.rests,
        )


def derive_again(
    trace: TraceReader,
    book: Book,
    saw: str,
    from_us: int,
    to_us: int,
    settings: Any,
    make: Make,
) -> Change:
    """Derives the facts of a stretch again, widened to rest points; reads both stores and writes neither.

    It starts at a rest point before ``from_us`` that no fact spans, or where the trace begins. It ends at the first
    later rest point after ``to_us`` where the derivation before and this one agree to be at rest, or at the newest
    reading.

    Args:
        trace: the trace store, holding the changed trace.
        book: the book, as it was derived before.
        saw: the saw's name.
        from_us: time of the first reading that changed.
        to_us: time of the last one.
        settings: of the detector.
        make: makes the detector.
    """
    start = book.rest_before(saw, from_us) or 0
    derivation = Derivation(make(saw, settings, None), start + 1)
    if start:
        before = trace.read(saw, start - _SWITCHES_US, start)
        derivation.feed(replace(before, motor=Series.empty()))
    at = start
    end = None
    for rest in _rests(book, saw, to_us):
        _feed(derivation, trace, saw, at, rest + 1)
        at = rest + 1
        if derivation.detector.rested == rest and all(fact.end is not None for fact in derivation.facts):
            end = rest
            break
    else:
        _feed(derivation, trace, saw, at, (trace.last(saw) or 0) + 1)
    last = FOREVER if end is None else end
    return Change(
        saw,
        start,
        end,
        [fact for fact in book.detected(saw, start, last) if start <= fact.start < last],
        [fact for fact in derivation.facts if start <= fact.start < last],
        [at for at in derivation.rests if at < last],
        None if end is not None else derivation.detector,
    )


def _rests(book: Book, saw: str, after: int) -> Iterator[int]:
    while points := book.rests(saw, after):
        yield from points
        after = points[-1]


def _feed(derivation: Derivation, trace: TraceReader, saw: str, start: int, end: int) -> None:
    for part in read_days(trace, saw, start, end):
        derivation.feed(part)


def read_days(trace: TraceReader, saw: str, start: int, end: int) -> Iterator[Trace]:
    """The readings with ``start <= t < end``, a day at a time so that years fit into memory."""
    while (first := trace.first(saw, start)) is not None and first < end:
        start = min(end, first + DAY_US)
        yield trace.read(saw, first, start)
