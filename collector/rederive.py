"""Deriving a period again with other settings, beside a running collector: what would change, and then the change.

The period is widened to rest points and derived in pieces between them. Only what lies between two rest points is
replaced: what follows the last one belongs to the running collector. Where the trace has aged out, facts cannot be
derived again; they stay as they are.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from collector.book.rows import order
from collector.book.troubles import TroubleBook
from collector.derive import DAY_US, FOREVER, Change, Derivation, Make, TraceReader, read_days
from collector.facts import SECOND, Cut, Fact, Gap, Run
from collector.marks import match
from collector.outline import OPEN
from collector.signals import Series, distinct
from collector.troubles import TORN
from collector.wire.meaning import AHEAD_US

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from collector.book.book import Book

SILENCE_US = 15 * SECOND
"""A silence longer than this is a gap (design.md); in a fact and not in the book, it means that the trace is gone."""

_SWITCHES_US = 60 * SECOND  # a rest point needs the switches' reports of the minute before it
_LOOK_US = 900 * SECOND  # rest points at which the derivations are compared lie about so far apart
_TRIES = 3  # a collector that keeps changing the same past is given up on


@dataclass(frozen=True, slots=True)
class Difference:
    """How two derivations of one period differ.

    Attributes:
        same: facts that both have.
        added: facts of the new one alone.
        removed: facts of the old one alone.
        moved: pairs (old, new) that share at least half of the longer's time and differ in something.
    """

    same: int = 0
    added: list[Fact] = field(default_factory=list)
    removed: list[Fact] = field(default_factory=list)
    moved: list[tuple[Fact, Fact]] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.added or self.removed or self.moved)

    def counts(self) -> dict[str, tuple[int, int, int]]:
        """How many facts of each kind were added, removed, moved."""
        added, removed = Counter(f.kind for f in self.added), Counter(f.kind for f in self.removed)
        moved = Counter(new.kind for _, new in self.moved)
        return {kind: (added[kind], removed[kind], moved[kind]) for kind in sorted({*added, *removed, *moved})}


def difference(before: Sequence[Fact], after: Sequence[Fact]) -> Difference:
    """What is new, gone, and changed; facts of one kind that share at least half the longer's time are one fact.

    Args:
        before: old facts, in order of start.
        after: new ones.
    """
    known, wanted = set(before), set(after)
    gone = [f for f in before if f not in wanted]
    new = [f for f in after if f not in known]
    found = Difference(same=len(after) - len(new))
    for kind in dict.fromkeys(f.kind for f in (*gone, *new)):
        olds, news = [f for f in gone if f.kind == kind], [f for f in new if f.kind == kind]
        rows = match(_spans(news), _spans(olds)).tolist()
        found.moved.extend((olds[row], fact) for fact, row in zip(news, rows, strict=True) if row >= 0)
        found.added.extend(fact for fact, row in zip(news, rows, strict=True) if row < 0)
        found.removed.extend(fact for i, fact in enumerate(olds) if i not in rows)
    for facts in (found.added, found.removed):
        facts.sort(key=order)
    found.moved.sort(key=lambda pair: order(pair[1]))
    return found


@dataclass(frozen=True, slots=True)
class Part:
    """A change, and how many readings it was made from."""

    change: Change
    readings: int

    @property
    def period(self) -> tuple[int, int]:
        """The rest points that it lies between."""
        assert self.change.to_us is not None
        return self.change.from_us, self.change.to_us


@dataclass(slots=True)
class Rederived:
    """What deriving a period of one saw again gives; nothing of it is written yet.

    Attributes:
        saw: the saw.
        from_us: start of what was derived, at or before the start asked for; None: nothing could be.
        to_us: its end, at a rest point.
        parts: the parts that differ.
        difference: all differences.
        aged: periods whose trace has aged out; their facts stay.
        unparted: periods left as they are, because old and new derivation are not at rest together at their ends.
        open_from: from here on the period asked for is the running collector's; None: all of it was closed.
    """

    saw: str
    from_us: int | None = None
    to_us: int | None = None
    parts: list[Part] = field(default_factory=list)
    difference: Difference = field(default_factory=Difference)
    aged: list[tuple[int, int]] = field(default_factory=list)
    unparted: list[tuple[int, int]] = field(default_factory=list)
    open_from: int | None = None


@dataclass(frozen=True, slots=True)
class _Piece:
    """Between two rest points that no old fact spans; ``start`` 0: where the trace begins."""

    start: int
    end: int
    aged: bool


def rederive(
    trace: TraceReader,
    book: Book,
    saw: str,
    from_us: int,
    to_us: int,
    settings: Any,
    make: Make,
    progress: Callable[[float], None] = lambda _share: None,
) -> Rederived:
    """Derives a period again; reads both stores and writes neither.

    Args:
        trace: the trace store.
        book: the book.
        saw: the saw's name.
        from_us: start of the period; the derivation begins at the rest point before it.
        to_us: its end; the derivation ends at a rest point after it, or at the last one.
        settings: of the detector.
        make: makes the detector.
        progress: told the share done, 0 to 1.
    """
    out = Rederived(saw)
    start, rests = _rests(book, saw, from_us, to_us)
    if not rests:
        out.open_from = from_us
        return out
    if rests[-1] < to_us:
        out.open_from = rests[-1]
    for run in _runs(_pieces(trace, book, saw, start, rests)):
        if run[0].aged:
            facts = book.detected(saw, run[0].start, run[-1].end)
            out.aged.append((facts[0].start if run[0].start == 0 and facts else run[0].start, run[-1].end))
        else:
            _derive_run(trace, book, saw, run, settings, make, out)
        progress(min(1.0, (run[-1].end - start) / max(1, rests[-1] - start)))
    return out


def apply(
    trace: TraceReader, book: Book, found: Rederived, settings: Any, make: Make
) -> tuple[int, list[tuple[int, int]]]:
    """Writes the changes, each only if the book and the trace are still those it was made from.

    Where a running collector changed something meanwhile, the part is derived again, up to three times.

    Returns:
        how many parts were written, and the periods that were left, because they kept changing.
    """
    written, left = 0, []
    for part in found.parts:
        if _write(trace, book, part, settings, make):
            written += 1
        else:
            left.append(part.period)
    return written, left


def _write(trace: TraceReader, book: Book, part: Part, settings: Any, make: Make) -> bool:
    now: Part | None = part
    for _ in range(_TRIES):
        if now is None:
            return False
        if book.commit_if_same(now.change.commit(), now.change.before) and _readings(trace, now) == now.readings:
            return True
        now = _derive_to(trace, book, part.change.saw, part.period[0], [part.period[1]], settings, make)
    return False


def _readings(trace: TraceReader, part: Part) -> int:
    return sum(len(held) for held in read_days(trace, part.change.saw, *_read_from(trace, part)))


def _read_from(trace: TraceReader, part: Part) -> tuple[int, int]:
    """The period to read of a part that may begin where the trace does."""
    start, end = part.period
    if start == 0:
        held = trace.read(part.change.saw, 0, end)
        start = held.first if len(held) else end
    return start, end


def _rests(book: Book, saw: str, from_us: int, to_us: int) -> tuple[int, list[int]]:
    """Where to begin (0: where the trace does), and the rest points from there on to the first after the period."""
    start = book.rest_before(saw, from_us + 1) or 0
    points: list[int] = []
    after = start
    while more := book.rests(saw, after, limit=4096):
        points += more
        after = more[-1]
        if after >= to_us:
            break
    points = _unspanned(book.detected(saw, start, points[-1] + 1), points) if points else []
    return start, points[: bisect_left(points, to_us) + 1]


def _unspanned(facts: Sequence[Fact], points: list[int]) -> list[int]:
    """Those times that no fact spans, by more than its end."""
    if not facts or not points:
        return points
    starts = np.array([f.start for f in facts], np.int64)
    reach = np.maximum.accumulate(np.array([OPEN if f.end is None else f.end for f in facts], np.int64))
    at = np.array(points, np.int64)
    begun = np.searchsorted(starts, at, side="left")
    free: list[int] = at[(begun == 0) | (reach[np.maximum(begun - 1, 0)] <= at)].tolist()
    return free


def _pieces(trace: TraceReader, book: Book, saw: str, start: int, rests: list[int]) -> list[_Piece]:
    """The stretches between rest points; those whose facts the trace no longer carries are aged."""
    bounds = [start, *rests]
    aged = np.zeros(len(rests), np.bool_)
    facts = book.detected(saw, start, rests[-1])
    low = facts[0].start if start == 0 and facts else max(start, 0)
    for fact in _outlived(trace, saw, facts, low, rests[-1]):
        aged[bisect_right(bounds, fact.start) - 1] = True
    return [_Piece(a, b, bool(gone)) for (a, b), gone in zip(pairwise(bounds), aged, strict=True)]


def carried_from(trace: TraceReader, book: Book, saw: str, start: int, end: int) -> int:
    """From when on, at or after ``start``, the trace has the readings of every fact that starts before ``end``.

    What was there when a store was mended is not counted on: some seconds that it lost look like packs lost on the way.
    """
    facts = [fact for fact in book.detected(saw, start, end) if fact.start >= start]
    torn_us = TroubleBook(book).newest(TORN)
    mended = start if torn_us is None else torn_us + AHEAD_US  # a box may have been ahead of the clock by as much
    return max(start, mended, *(fact.end or end for fact in _outlived(trace, saw, facts, start, end)))


def _outlived(trace: TraceReader, saw: str, facts: Sequence[Fact], low: int, high: int) -> Iterator[Fact]:
    """Those of the facts, which start in a period and in order, whose readings the trace has no more."""
    gaps = [(f.start, f.end or FOREVER) for f in facts if isinstance(f, Gap)]
    at = 0
    while low < high:
        until = min(high, low + DAY_US)
        todo = []
        while at < len(facts) and facts[at].start < until:
            todo.append(facts[at])
            at += 1
        if todo:
            last = max(f.end or f.start for f in todo)
            held = trace.read(saw, low - SILENCE_US, last + SILENCE_US + 1)
            times = distinct(np.concatenate([s.t for s in held.series()]))
            for fact in todo:
                needs = held.motor.t if isinstance(fact, Run | Cut) else times  # a torn store may have lost these alone
                if not (fact.start in times if isinstance(fact, Gap) else _carried(fact, needs, gaps)):
                    yield fact
        low = until


def _carried(fact: Fact, times: NDArray[np.int64], gaps: list[tuple[int, int]]) -> bool:
    """Whether the trace has readings all through a fact, but for the gaps that the book knows of."""
    end = fact.start if fact.end is None else fact.end
    i, j = np.searchsorted(times, (fact.start - SILENCE_US, end + SILENCE_US + 1)).tolist()
    near = np.clip(times[i:j], fact.start, end)
    if not len(near):
        return False
    points = np.concatenate(([fact.start], near, [end]))
    for k in np.flatnonzero(np.diff(points) > SILENCE_US).tolist():
        hole = int(points[k]), int(points[k + 1])
        if not any(a <= hole[0] + SILENCE_US and hole[1] - SILENCE_US <= b for a, b in gaps):
            return False
    return True


def _runs(pieces: list[_Piece]) -> list[list[_Piece]]:
    """Neighbouring pieces that are aged alike."""
    runs: list[list[_Piece]] = []
    for piece in pieces:
        if runs and runs[-1][-1].aged == piece.aged:
            runs[-1].append(piece)
        else:
            runs.append([piece])
    return runs


def _derive_run(
    trace: TraceReader, book: Book, saw: str, run: list[_Piece], settings: Any, make: Make, out: Rederived
) -> None:
    """Derives neighbouring pieces, about a day at a time; each part ends where both derivations are at rest."""
    ends = [piece.end for piece in run]
    start = run[0].start
    while start < ends[-1]:
        inside = [end for end in ends if end > start]
        within = [end for end in inside if end <= max(start, inside[0]) + DAY_US]
        part = _derive_to(trace, book, saw, start, within, settings, make)
        if part is None and len(within) < len(inside):  # no common rest in a day: try as far as it goes
            part = _derive_to(trace, book, saw, start, inside, settings, make)
        if part is None:
            out.unparted.append((start, ends[-1]))
            return
        _note(out, part)
        start = part.period[1]


def _note(out: Rederived, part: Part) -> None:
    change = part.change
    found = difference(change.before, change.after)
    total = out.difference
    out.difference = Difference(
        total.same + found.same,
        total.added + found.added,
        total.removed + found.removed,
        total.moved + found.moved,
    )
    if found:
        out.parts.append(part)
    if out.from_us is None:
        first = min((f.start for f in (*change.before, *change.after)), default=part.period[1])
        out.from_us = change.from_us or first
    out.to_us = part.period[1]


def _derive_to(
    trace: TraceReader, book: Book, saw: str, start: int, ends: list[int], settings: Any, make: Make
) -> Part | None:
    """Derives from a rest point to the last of ``ends`` at which this derivation is at rest too; None: at none."""
    derivation = Derivation(make(saw, settings, None), start + 1)
    if start:
        before = trace.read(saw, start - _SWITCHES_US, start)
        derivation.feed(replace(before, motor=Series.empty()))
    at, agreed = start, None
    rests: list[int] = []
    held = trace.read(saw, start, ends[-1] + 1)
    for end in _spaced(ends):
        derivation.feed(held.between(at, end + 1))
        at = end + 1
        if derivation.detector.rested == end and all(fact.end is not None for fact in derivation.facts):
            agreed, rests = end, list(derivation.rests)
    if agreed is None:
        return None
    change = Change(
        saw,
        start,
        agreed,
        [fact for fact in book.detected(saw, start, agreed) if start <= fact.start < agreed],
        [fact for fact in derivation.facts if start <= fact.start < agreed],
        [rest for rest in rests if rest < agreed],
        None,
    )
    return Part(change, len(held.between(start, agreed)))


def _spaced(ends: list[int]) -> list[int]:
    """Some of the times, at least a quarter of an hour apart, and the last few."""
    out: list[int] = []
    for i, end in enumerate(ends):
        if not out or end - out[-1] >= _LOOK_US or i >= len(ends) - 8:
            out.append(end)
    return out


def _spans(facts: Sequence[Fact]) -> NDArray[np.int64]:
    return np.array([(f.start, OPEN if f.end is None else f.end) for f in facts], np.int64).reshape(-1, 2)
