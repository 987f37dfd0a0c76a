"""Boxes that are a nuisance: two that speak for one saw, one that floods, and one that follows another."""

from __future__ import annotations

import time
from collections import Counter
from typing import TYPE_CHECKING

from collector.ingest.addresses import SECOND_BOX
from collector.troubles import BOXES, CHANGED, FLOODS, Troubles

if TYPE_CHECKING:
    from collector.book.book import Book
    from collector.ingest.addresses import Addresses
    from collector.ingest.group import Group

FLOOD = 5000
"""So many useless messages of a saw in a minute are a flood; what a broker repeats of its own accord stays below."""


class Nuisances:
    """Notes them as troubles.

    Args:
        troubles: where.
    """

    def __init__(self, troubles: Troubles) -> None:
        self._troubles = troubles
        self._useless: Counter[str] = Counter()  # messages of this minute that brought nothing, by saw
        self._minute = 0.0

    def of(self, group: Group, new: set[str]) -> None:
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

    def exchanges(self, addresses: Addresses, book: Book) -> None:
        """Boxes that follow others; not where another collector of these stores heard them before, and told."""
        for saw, (before, after) in list(addresses.changed.items()):
            if book.box(saw).urn != after:
                self._troubles.happened(CHANGED, saw, f"{after} speaks for it now; before, it was {before}")
            del addresses.changed[saw]
