"""One saw's live derivation: its detector, and what the book already holds of it. No I/O."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any

from collector.book.entries import Checkpoint, NowEntry, SawCommit
from collector.book.rows import order
from collector.derive import REST_SPACING_US, Derivation, Detects, Key, Make
from collector.facts import SECOND, Fact

if TYPE_CHECKING:
    from collector.signals import Trace

_SNAPSHOTS = 4
_SNAPSHOT_SPACING_US = 60 * SECOND
"""So much of the trace is at most fed again after a restart, or for a late reading: less work than writing a state,
which takes the time of six packs. It is some kilobytes: written ten times a second for years it would wear out a memory
card."""


class Line:
    """A detector that follows the newest readings of a saw.

    Args:
        saw: the saw's name.
        settings: of the detector.
        make: makes the detector.
        checkpoint: where to go on; None: from the first reading.
        last_rest: newest rest point in the book.
    """

    def __init__(
        self, saw: str, settings: Any, make: Make, checkpoint: Checkpoint | None, last_rest: int | None
    ) -> None:
        self.saw = saw
        self.box: str | None = None
        self._settings = settings
        self._make = make
        self._last_rest = last_rest
        self._floor: int | None = None  # nothing before it is touched
        self._known: dict[Key, Fact] | None = None  # facts of the last commit, in order; None: not known
        self._snapshots: deque[Checkpoint] = deque(maxlen=_SNAPSHOTS)
        self.detector = make(saw, settings, None if checkpoint is None else checkpoint.state)
        self.consumed = None if checkpoint is None else checkpoint.consumed_us
        if checkpoint is not None and self.detector.consumed is None:
            self._floor = checkpoint.consumed_us + 1  # it begins afresh there
        elif checkpoint is not None:
            self._snapshots.append(checkpoint)

    def feed(
        self, trace: Trace, clock_skew_us: int | None = None, floor: int | None = None, *, keep: bool = False
    ) -> SawCommit:
        """Derives from readings that are all later than `consumed`.

        Args:
            trace: the readings; not empty.
            clock_skew_us: of the newest message.
            floor: facts before this time were just derived otherwise and are not touched.
            keep: the book must get the detector's state, however new the one is that it has.

        Returns:
            What the book must take; the line assumes that it does.
        """
        if self._floor is not None:
            floor, keep, self._floor = max(floor or 0, self._floor), True, None
        derivation = Derivation(self.detector, 0 if self._last_rest is None else self._last_rest + REST_SPACING_US)
        derivation.feed(trace)
        from_us, facts, amended = derivation.from_us, derivation.facts, derivation.amended
        if floor is not None:
            from_us = max(from_us or floor, floor)
            facts = [fact for fact in facts if fact.start >= floor]
            amended = {key: fact for key, fact in amended.items() if fact.start >= floor}
        elif self._known is not None and from_us is not None:
            amended = {key: fact for key, fact in amended.items() if self._known.get(key) != fact}
            from_us, facts = changed([f for f in self._known.values() if f.start >= from_us], facts)
        keep = keep or self._state_is_due()
        return self._commit(derivation, from_us, facts, list(amended.values()), clock_skew_us=clock_skew_us, keep=keep)

    def checkpoint(self) -> Checkpoint | None:
        """The detector's state now."""
        at = self.detector.consumed
        return None if at is None else Checkpoint(at, self.detector.dump())

    def snapshot_before(self, at_us: int) -> Checkpoint | None:
        """The newest remembered state that had seen only readings before ``at_us``."""
        for snapshot in reversed(self._snapshots):
            if snapshot.consumed_us < at_us:
                return snapshot
        return None

    def rewind(self, snapshot: Checkpoint, trace: Trace, clock_skew_us: int | None = None) -> SawCommit:
        """Goes back to a remembered state and derives from all readings since."""
        self.detector = self._make(self.saw, self._settings, snapshot.state)
        self.forget_snapshots(snapshot.consumed_us + 1)
        self._known = None
        if self._last_rest is not None:
            self._last_rest = min(self._last_rest, snapshot.consumed_us)
        derivation = Derivation(self.detector, snapshot.consumed_us + 1)
        derivation.feed(trace)
        facts, amended = derivation.facts, list(derivation.amended.values())
        rests_from = snapshot.consumed_us + 1
        return self._commit(derivation, derivation.from_us, facts, amended, rests_from, clock_skew_us, keep=True)

    def replace(self, detector: Detects, last_rest: int | None) -> None:
        """Goes on with a detector that has seen everything, after a derivation that reached the newest reading."""
        self.detector = detector
        self.consumed = detector.consumed
        self._snapshots.clear()
        self._known = None
        self._last_rest = last_rest

    def forget_snapshots(self, from_us: int) -> None:
        """Drops the states that had seen readings from ``from_us`` on, because the trace there has changed."""
        while self._snapshots and self._snapshots[-1].consumed_us >= from_us:
            self._snapshots.pop()

    def _state_is_due(self) -> bool:
        at = self.detector.consumed
        return not self._snapshots or (at or 0) >= self._snapshots[-1].consumed_us + _SNAPSHOT_SPACING_US

    def _commit(
        self,
        derivation: Derivation,
        from_us: int | None,
        facts: list[Fact],
        amended: list[Fact],
        rests_from: int | None = None,
        clock_skew_us: int | None = None,
        *,
        keep: bool,
    ) -> SawCommit:
        detector = derivation.detector
        if detector.consumed is None:
            raise ValueError("nothing was fed")
        self.consumed = detector.consumed
        self._known = {order(fact): fact for fact in (*derivation.amended.values(), *derivation.facts)}
        if derivation.rests:
            self._last_rest = derivation.rests[-1]
        point = self.checkpoint() if keep else None
        if point is not None:
            self._snapshots.append(point)
        return SawCommit(
            self.saw,
            replace_from_us=from_us,
            facts=facts,
            amended=amended,
            checkpoint=point,
            now=NowEntry.of(self.saw, detector.now(), clock_skew_us),
            rests_from_us=rests_from,
            rests=derivation.rests,
        )


def changed(old: list[Fact], new: list[Fact]) -> tuple[int | None, list[Fact]]:
    """From where on two ordered lists of facts differ, and the new ones from there; (None, []) if nowhere."""
    for i in range(max(len(old), len(new))):
        if i < len(old) and i < len(new) and old[i] == new[i]:
            continue
        start = min(side[i].start for side in (old, new) if i < len(side))
        return start, [fact for fact in new if fact.start >= start]
    return None, []
