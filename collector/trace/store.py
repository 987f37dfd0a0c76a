"""What a trace store promises, whatever engine is behind it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from collector.signals import SIGNALS
from collector.words import Told

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from collector.signals import Trace
    from collector.trace.slices import Minutes, Slices


class TraceError(Told):
    """The store cannot be read or written; the message says which store, what is wrong, and what to do."""


class TraceStore(Protocol):
    """The readings of many saws: a set per saw and signal, keyed by time; of what has aged out, minutes.

    Writing is set union: what is written twice is there once, in whatever order and chunks it comes. Of two
    different values of one signal at the same microsecond the first one written stays. Times are UTC
    microseconds.
    """

    def write(self, saw: str, trace: Trace) -> None:
        """Add readings. They are safe only after `commit`; until then this object alone sees them."""

    def commit(self) -> None:
        """Make all that was written safe, against a crash of the process and of the machine.

        Raises:
            TraceError: it could not be done. Nothing is lost: another `commit` tries the same again.
        """

    def read(self, saw: str, start_us: int, end_us: int, signals: Collection[str] = SIGNALS) -> Trace:
        """The readings with ``start_us <= t < end_us`` of these signals; empty for a saw that is not known.

        Raises:
            TraceError: the store is damaged or out of reach.
        """

    def first(self, saw: str, from_us: int = 0) -> int | None:
        """Time of the saw's earliest reading at or after ``from_us``, None if there is none."""

    def last(self, saw: str) -> int | None:
        """Time of the saw's newest reading, None if there is none."""

    def saws(self) -> list[str]:
        """The saws that have readings, in alphabetical order."""

    def slices(self, saw: str, start_us: int, end_us: int, width_us: int) -> Slices:
        """The motor's readings with ``start_us <= t < end_us``, in slices that begin at ``start_us``.

        Raises:
            TraceError: the store is damaged or out of reach.
        """

    def complete_from(self, saw: str) -> int:
        """From this time on all readings are kept, of those before it minutes.

        A start of a day in UTC; 0: no day has aged.
        """

    def minutes(self, saw: str, start_us: int, end_us: int) -> dict[str, Minutes]:
        """By signal, the kept minutes that begin in the period."""

    def write_minutes(self, saw: str, minutes: Mapping[str, Minutes], until_us: int) -> None:
        """Keep minutes of days that are over at ``until_us``, which becomes `complete_from`; safe when it returns.

        Minutes of a time that is there already are replaced. Readings before ``until_us`` may be dropped by the store.
        """

    def tidy(self, before_us: int) -> bool:
        """One small step of forgetting minutes before a time, and of giving disk space back; whether more is to do."""

    def close(self) -> None:
        """Let go of the store; what was not committed is dropped."""
