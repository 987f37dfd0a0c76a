"""Copies the readings of all saws into another trace store, and proves that both hold the same."""

from __future__ import annotations

from dataclasses import dataclass
from hashlib import sha256
from typing import TYPE_CHECKING

from collector.derive import FOREVER, read_days
from collector.trace.slices import DAY_US, spans
from collector.trace.store import TraceError
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Callable

    from collector.signals import Trace
    from collector.trace.slices import Minutes
    from collector.trace.store import TraceStore

_FAR = 1 << 60


@dataclass(slots=True)
class Copied:
    """How many readings were compared and found equal, how many of them had to be written for it, and minutes."""

    readings: int = 0
    written: int = 0
    minutes: int = 0


def copy_trace(
    source: TraceStore,
    target: TraceStore,
    told: Callable[[str, int], None] = lambda _saw, _readings: None,
    *,
    since_us: int = -FOREVER,
) -> Copied:
    """Copies day by day. What is there already is compared and not written again, so it can be broken off at any time.

    Args:
        source: the store to read.
        target: the store to write; this function must be its only writer.
        told: is told each saw and how many of its readings are in both stores when the saw is done.
        since_us: older readings are left out, as a target that keeps only so many days would drop them.

    Raises:
        TraceError: a store failed, or the target holds other readings for a day than the source.
    """
    copied = Copied()
    for saw in source.saws():
        before = copied.readings
        copied.minutes += _copy_minutes(source, target, saw)
        first, last = source.first(saw, max(since_us, source.complete_from(saw))), source.last(saw)
        if first is None or last is None:
            continue
        for part in read_days(source, saw, first, last + 1):
            wanted = digest(part)
            if digest(target.read(saw, part.first, part.last + 1)) != wanted:
                target.write(saw, part)
                target.commit()
                copied.written += len(part)
                if digest(target.read(saw, part.first, part.last + 1)) != wanted:
                    raise TraceError(
                        later(
                            "saw {saw}: the store to copy into holds other readings between {first} and {last} "
                            "(microseconds UTC) than the store copied; give an empty one"
                        ),
                        saw=saw,
                        first=part.first,
                        last=part.last,
                    )
            copied.readings += len(part)
        told(saw, copied.readings - before)
    return copied


def _copy_minutes(source: TraceStore, target: TraceStore, saw: str) -> int:
    """Copies the minutes of what has aged out of the source; returns how many there are.

    Raises:
        TraceError: a store failed, or the target has others or keeps readings of that time.
    """
    until = source.complete_from(saw)
    wanted = source.minutes(saw, -_FAR, until)
    span = spans(wanted)
    if span is None:
        return 0
    if (kept := target.first(saw)) is not None and kept < until and target.complete_from(saw) == 0:
        raise TraceError(
            later("saw {saw}: the store to copy into holds readings where the other has minutes; give an empty one"),
            saw=saw,
        )
    for day in range(span[0] // DAY_US * DAY_US, until, DAY_US):
        part = {signal: one for signal, held in wanted.items() if len(one := held.between(day, day + DAY_US))}
        if part and not _same(target.minutes(saw, day, day + DAY_US), part):
            target.write_minutes(saw, part, day + DAY_US)
    target.write_minutes(saw, {}, until)
    if not _same(target.minutes(saw, -_FAR, until), wanted):
        raise TraceError(
            later("saw {saw}: the store to copy into holds other minutes than the store copied; give an empty one"),
            saw=saw,
        )
    return sum(map(len, wanted.values()))


def _same(a: dict[str, Minutes], b: dict[str, Minutes]) -> bool:
    return a.keys() == b.keys() and all(a[signal].same(b[signal]) for signal in a)


def digest(trace: Trace) -> tuple[int, bytes]:
    """Count and checksum of readings, the same for equal ones."""
    found = sha256()
    for series in trace.series():
        found.update(len(series).to_bytes(8, "big"))
        found.update(series.t.astype("<i8").tobytes())
        found.update(series.v.astype("<i4").tobytes())
    return len(trace), found.digest()
