"""Where a program's time goes, function by function."""

from __future__ import annotations

import time
from collections import defaultdict
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from collector.ingest import group
from collector.ingest.line import Line

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


def of_a_collector(trace: Any, book: Any) -> list[tuple[Any, str, str]]:
    """What `Shares` watches of a collector on these stores."""
    return [
        (group, "read_pack", "decode"),
        (Line, "feed", "detect"),
        (trace, "commit", "trace"),
        (trace, "write", "trace"),
        (book, "commit", "book"),
    ]


class Shares:
    """Seconds spent within functions.

    Attributes:
        cpu: of the thread's processor, by what the function does.
        wall: by the clock, so with what it waited for.
    """

    def __init__(self) -> None:
        self.cpu: dict[str, float] = defaultdict(float)
        self.wall: dict[str, float] = defaultdict(float)

    @contextmanager
    def watching(self, places: list[tuple[Any, str, str]]) -> Iterator[None]:
        """Watches functions during the block: their owner, their name there, and what they do."""
        before = [(owner, name, getattr(owner, name)) for owner, name, _ in places]
        for owner, name, what in places:
            setattr(owner, name, self._timed(getattr(owner, name), what))
        try:
            yield
        finally:
            for owner, name, call in before:
                setattr(owner, name, call)

    def _timed(self, call: Callable[..., Any], what: str) -> Callable[..., Any]:
        def timed(*args: Any, **more: Any) -> Any:
            cpu, wall = time.thread_time(), time.perf_counter()
            try:
                return call(*args, **more)
            finally:
                self.cpu[what] += time.thread_time() - cpu
                self.wall[what] += time.perf_counter() - wall

        return timed
