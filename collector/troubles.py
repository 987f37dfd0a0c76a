"""Troubles of the running collector: noted at once in memory, and in the book as soon as the book can be written."""

from __future__ import annotations

import logging
import threading
from typing import TYPE_CHECKING

from collector.book.troubles import Trouble
from collector.facts import SECOND

if TYPE_CHECKING:
    from collections.abc import Callable

    from collector.book.troubles import TroubleBook

log = logging.getLogger(__name__)

BROKER, STORES, CLOCK, TORN, ASIDE, BOXES, CHANGED, FLOODS = (
    "broker-away",
    "stores-failing",
    "clock-jumped",
    "store-torn",
    "stretch-aside",
    "two-boxes",
    "box-changed",
    "box-floods",
)
"""The kinds: `api.answers.alert_kinds` says of each what people should do."""

_SAME_US = 30 * SECOND
FOLD_US = 600 * SECOND
"""What comes again within this time is the same trouble."""


class Troubles:
    """What is wrong, by kind and saw; from any thread.

    Args:
        book: where it is noted; None: only in memory.
        clock: gives the present in microseconds UTC.
    """

    def __init__(self, book: TroubleBook | None = None, clock: Callable[[], int] = lambda: 0) -> None:
        self._book = book
        self._clock = clock
        self._lock = threading.Lock()
        self._known: dict[tuple[str, str], Trouble] = {}
        self._unwritten: list[Trouble] = []
        self._begun = False  # what an earlier process left open is ended

    def is_on(self, kind: str, saw: str = "", said: str = "") -> None:
        """Something is wrong, since now if it was not before."""
        now = self._clock()
        with self._lock:
            known = self._known.get((kind, saw))
            if known is not None and (known.ended_us is None or 0 <= now - known.ended_us < FOLD_US):
                if known.ended_us is None and known.said == said:
                    return
                known.ended_us, known.said = None, said
            else:
                known = self._known[kind, saw] = Trouble(kind, saw, now, None, said)
            self._note(known)

    def is_over(self, kind: str, saw: str = "") -> None:
        """It is not wrong any more."""
        with self._lock:
            known = self._known.get((kind, saw))
            if known is not None and known.ended_us is None:
                known.ended_us = max(self._clock(), known.begun_us)
                self._note(known)

    def happened(self, kind: str, saw: str = "", said: str = "") -> None:
        """Something went wrong, and is not wrong any more."""
        with self._lock:
            known = self._known.get((kind, saw))
            if known is not None and known.ended_us is not None and 0 <= self._clock() - known.ended_us < _SAME_US:
                return  # noted a moment ago: what goes wrong at every message is not written at every message
        self.is_on(kind, saw, said)
        self.is_over(kind, saw)

    def write(self) -> None:
        """Brings the book up to date; a book that cannot be written is left for the next call."""
        with self._lock:
            if self._book is None or (self._begun and not self._unwritten):
                return
            try:
                if not self._begun:
                    self._book.end_all(self._clock())
                    self._begun = True
                if self._unwritten:
                    self._book.write(self._unwritten)
                    self._unwritten.clear()
            except Exception as error:  # noqa: BLE001 (whatever the store raises: noting it must not stop the collector)
                log.debug("troubles wait for the book: %s", error)

    def _note(self, trouble: Trouble) -> None:
        if trouble not in self._unwritten:
            self._unwritten.append(trouble)
