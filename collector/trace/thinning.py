"""Thinning with age: days that are old enough become minutes, old minutes are forgotten, disk space comes back.

In small steps, each safe by itself, while the collector goes on: a step takes one day of one saw, or a few pages.
"""

from __future__ import annotations

import logging
import threading
import time
from contextlib import nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from sqlalchemy.exc import SQLAlchemyError

from collector.trace.slices import DAY_US, minutes_of
from collector.trace.store import TraceError

if TYPE_CHECKING:
    from collections.abc import Callable
    from contextlib import AbstractContextManager

    from collector.book.leases import Leases
    from collector.trace.store import TraceStore

log = logging.getLogger(__name__)

_PAUSE_S: Final = 0.25  # between steps, so that a collector's commits come in between
_LEASE: Final = "thinning"
_ROUND_S: Final = 600


@dataclass(frozen=True, slots=True)
class Ages:
    """How many days readings are kept, and how many days minutes; 0: for ever."""

    readings: int = 60
    minutes: int = 730


def thin(trace: TraceStore, saw: str, before_us: int) -> bool:
    """Makes minutes of the oldest day of a saw that is over at ``before_us``, UTC; whether there was one.

    Raises:
        TraceError: the store failed; another call tries the same again.
    """
    first = trace.first(saw, trace.complete_from(saw))
    if first is None or (until := first // DAY_US * DAY_US + DAY_US) > before_us:
        return False
    trace.write_minutes(saw, minutes_of(trace.read(saw, until - DAY_US, until)), until)
    return True


class Thinner:
    """A thread that thins a trace out.

    Args:
        trace: this process must be its writer.
        ages: what is kept how long.
        hold: gives a context in which nobody derives from the trace; each step is done in one.
        clock: gives the present in microseconds UTC.
        leases: of this process, where others may thin the same trace; None: there are none.
    """

    def __init__(
        self,
        trace: TraceStore,
        ages: Ages,
        hold: Callable[[], AbstractContextManager[None]] = nullcontext,
        clock: Callable[[], int] = lambda: time.time_ns() // 1000,
        leases: Leases | None = None,
    ) -> None:
        self._leases = leases
        self._trace, self._ages, self._hold, self._clock = trace, ages, hold, clock
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=self._work, name="thinner", daemon=True)

    def start(self) -> None:
        """Begin; the first round comes at once."""
        self._thread.start()

    def stop(self) -> None:
        """End after the step that is being done."""
        self._stopped.set()
        if self._thread.is_alive():
            self._thread.join()

    def round(self, pause: float = 0.0) -> int:
        """Everything that is due; returns the number of steps."""
        now, steps = self._clock(), 0
        before = now - self._ages.readings * DAY_US
        for saw in self._trace.saws() if self._ages.readings else ():
            steps += self._repeat(lambda saw=saw: thin(self._trace, saw, before), pause)  # type: ignore[misc]
        forget = now - self._ages.minutes * DAY_US if self._ages.minutes else -(2**60)
        return steps + self._repeat(lambda: self._trace.tidy(forget), pause)

    def _repeat(self, step: Callable[[], bool], pause: float) -> int:
        steps = 0
        while not self._stopped.is_set():
            with self._hold():
                if not step():
                    break
            steps += 1
            self._stopped.wait(pause)
        return steps

    def _work(self) -> None:
        while not self._stopped.is_set():
            try:
                if self._leases is None or self._leases.take([_LEASE]):
                    self.round(_PAUSE_S)
            except (TraceError, SQLAlchemyError) as error:
                log.warning("the trace was not thinned out; it is tried again in ten minutes: %s", error)
            self._stopped.wait(_ROUND_S)
