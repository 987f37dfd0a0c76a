"""What a trace store promises, whatever engine is behind it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collector.signals import Trace


class TraceError(Exception):
    """The store cannot be read or written; the message says which store, what is wrong, and what to do."""


class TraceStore(Protocol):
    """The readings of many saws: a set per saw and signal, keyed by time.

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

    def read(self, saw: str, start_us: int, end_us: int) -> Trace:
        """The readings with ``start_us <= t < end_us``; empty for a saw that is not known.

        Raises:
            TraceError: the store is damaged or out of reach.
        """

    def first(self, saw: str, from_us: int = 0) -> int | None:
        """Time of the saw's earliest reading at or after ``from_us``, None if there is none."""

    def last(self, saw: str) -> int | None:
        """Time of the saw's newest reading, None if there is none."""

    def saws(self) -> list[str]:
        """The saws that have readings, in alphabetical order."""

    def close(self) -> None:
        """Let go of the store; what was not committed is dropped."""
