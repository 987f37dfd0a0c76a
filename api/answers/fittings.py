"""Which blade sat on which saw when, from what people said, and which blade made a cut.

A **change** says: at this moment, on this saw, this blade went in. A blade sits on a saw from the change that put
it in until the next change on that saw, until it is put in elsewhere, or until somebody says that it went to the
rack, the sharpener or the scrap: a blade is in one place. Where nobody said which blade sits on a saw, none does, and
the cuts are unattributed; they are never spread over the blades that are known.

A cut belongs to the blade that sits on its saw when the cut starts. So the cuts of all blades and the unattributed ones
are all cuts, in every period, whatever was said, in whatever order and however late (a test holds this law).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from collector.book.blade_entries import WITHDRAWN, BladeEvent, ChangeSaid
from collector.outline import OPEN

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from collector.book.blade_entries import Fate

Said = TypeVar("Said", ChangeSaid, BladeEvent)

CHANGE = "change"
CLEANED = "cleaned"
UNATTRIBUTED = -1


@dataclass(frozen=True, slots=True)
class Fitting:
    """One blade on one saw during ``[start, end)``; ``end`` is `OPEN` while it sits there.

    ``tag`` None: somebody said that a blade went in, and nobody knows which. ``said`` numbers the change that put it
    in; ``fate`` is what was said to happen with it when it came out.
    """

    saw: str
    start: int
    end: int
    tag: str | None
    said: int
    fate: Fate | None = None


def standing(entries: Iterable[Said]) -> list[Said]:
    """What stands after all corrections, in the order in which it happened.

    The newest entry of each chain of corrections stands, unless it withdraws the chain. What happened at the same
    moment (two changes at one opening of the door) keeps the order in which it was first said.
    """
    newest: dict[int, Said] = {}
    for entry in sorted(entries, key=lambda e: e.id):
        newest[entry.corrects or entry.id] = entry
    stands = [(root, entry) for root, entry in newest.items() if entry.kind != WITHDRAWN]
    return [entry for _, entry in sorted(stands, key=lambda pair: (pair[1].at_us, pair[0]))]


def root(entry: ChangeSaid | BladeEvent) -> int:
    """The number of the first entry of the chain of corrections."""
    return entry.corrects or entry.id


def in_order(changes: Iterable[ChangeSaid], events: Iterable[BladeEvent]) -> list[ChangeSaid | BladeEvent]:
    """All that stands about blades, in the order in which it happened; at one moment, in that in which it was said.

    What was corrected keeps the place of what was first said.
    """
    changes, events = list(changes), list(events)
    everything: list[ChangeSaid | BladeEvent] = [*changes, *events]
    first_said = {(isinstance(e, BladeEvent), e.id): e.said_us for e in everything}

    def place(step: ChangeSaid | BladeEvent) -> tuple[int, int, bool, int]:
        key = (isinstance(step, BladeEvent), root(step))
        return step.at_us, first_said.get(key, step.said_us), *key

    steps: list[ChangeSaid | BladeEvent] = [c for c in standing(changes) if c.kind == CHANGE]
    return sorted([*steps, *standing(events)], key=place)


def fittings(changes: Iterable[ChangeSaid], events: Iterable[BladeEvent] = ()) -> list[Fitting]:
    """Every fitting, in order of start; those of one saw do not overlap, nor do those of one blade.

    Args:
        changes: everything ever said about changes.
        events: everything ever said about blades elsewhere.
    """
    done: list[Fitting] = []
    on: dict[str, Fitting] = {}  # by saw

    def end(saw: str, at: int, fate: Fate | None = None) -> None:
        if (sat := on.pop(saw, None)) is not None:
            done.append(replace(sat, end=at, fate=fate))

    for step in in_order(changes, events):
        elsewhere = next((s for s, f in on.items() if f.tag == step.tag and step.tag is not None), None)
        if isinstance(step, BladeEvent):
            if elsewhere is not None:
                end(elsewhere, step.at_us)
            continue
        if elsewhere == step.saw:
            continue  # taken out and put back: it goes on
        if elsewhere is not None:
            end(elsewhere, step.at_us)
        end(step.saw, step.at_us, step.fate)
        on[step.saw] = Fitting(step.saw, step.at_us, OPEN, step.tag, root(step))
    return sorted([*done, *on.values()], key=lambda f: (f.start, f.end))


def attribute(starts: NDArray[np.int64], own: Sequence[Fitting]) -> NDArray[np.int64]:
    """For each cut of a saw, the index in ``own`` of the fitting that made it, or `UNATTRIBUTED`.

    Args:
        starts: starts of the cuts, microseconds UTC.
        own: the saw's fittings, in order of start, as `fittings` gives them.
    """
    begun = np.array([f.start for f in own], np.int64)
    ended = np.array([f.end for f in own], np.int64)
    blade = np.array([f.tag is not None for f in own], np.bool_)
    # Of several that begin at one moment (two changes at one opening) the last stays.
    i = np.searchsorted(begun, starts, side="right") - 1
    if not len(own):
        return np.full(len(starts), UNATTRIBUTED, np.int64)
    known = (i >= 0) & (starts < ended[i]) & blade[i]
    return np.where(known, i, UNATTRIBUTED)


@dataclass(frozen=True, slots=True)
class Shares:
    """How many cuts of a period each blade made, by tag, and how many no known blade did."""

    blades: dict[str, int]
    unattributed: int

    @property
    def total(self) -> int:
        """All cuts."""
        return sum(self.blades.values()) + self.unattributed


def shares(starts: NDArray[np.int64], own: Sequence[Fitting]) -> Shares:
    """The cuts of a saw by blade; arguments as of `attribute`."""
    which, number = np.unique(attribute(starts, own), return_counts=True)
    blades: dict[str, int] = {}
    unattributed = 0
    for i, n in zip(which.tolist(), number.tolist(), strict=True):
        tag = None if i == UNATTRIBUTED else own[i].tag
        if tag is None:
            unattributed += n
        else:
            blades[tag] = blades.get(tag, 0) + n
    return Shares(blades, unattributed)
