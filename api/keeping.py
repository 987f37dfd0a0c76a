"""Keeps sums of days that are over, in the background: who asks for figures never does this work."""

from __future__ import annotations

import logging
import threading
import time
from typing import TYPE_CHECKING

from collector.facts import SECOND

if TYPE_CHECKING:
    import datetime as dt

    from api.sums import Sums

log = logging.getLogger(__name__)

AGAIN = 600 * SECOND
"""A day into which a fact reaches that is still going on cannot be kept yet; it is looked at again after this."""

LOOK_SECONDS = 60.0
STEP_SECONDS = 0.02
"""Pause after each day, and at least twice as long as the day took: live work goes first."""


class Keeper:
    """Keeps the sums of days that are over, in a thread of its own; several at once do no harm."""

    def __init__(self, sums: Sums) -> None:
        self._sums = sums
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._waiting: dict[tuple[str, dt.date], int] = {}

    def start(self, seconds: float = LOOK_SECONDS) -> None:
        """Begins; looks for missing days every so many seconds."""
        self._thread = threading.Thread(target=self._run, args=(seconds,), name="kerfbook-sums", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Ends the thread; the day in hand is finished."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(15)

    def round(self) -> int:
        """Keeps every day that is missing now; returns how many were kept."""
        desk, kept = self._sums.desk, 0
        now = desk.now()
        self._waiting = {key: at for key, at in self._waiting.items() if now - at < AGAIN}
        bases = self._sums.book.bases(-(2**62), now)
        for saw in desk.saws:
            for day in list(self._sums.missing(saw, bases.get(saw, {}))):
                if self._stop.is_set():
                    return kept
                if (saw, day) in self._waiting:
                    continue
                begun = time.monotonic()
                if self._sums.keep(saw, day):
                    kept += 1
                else:
                    self._waiting[saw, day] = now
                if self._thread is not None:
                    self._stop.wait(max(STEP_SECONDS, 2 * (time.monotonic() - begun)))
        return kept

    def _run(self, seconds: float) -> None:
        failing, wait = False, 0.0
        while not self._stop.wait(wait):
            wait = seconds
            try:
                self.round()
                failing = False
            except Exception:  # a database that is away for a while must not end the keeping for ever
                if not failing:
                    log.exception("sums of days could not be kept; it goes on trying")
                failing = True
