"""Saws whose habits are learned, a detector that lets see which habits it was given, and what the book must hold."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING
from zlib import crc32

from collector.book.habits import HabitHistory
from collector.detect.detector import Detector, Facts
from collector.detect.settings import DetectSettings
from collector.facts import Run
from tests.detect.build import spin_up, story

if TYPE_CHECKING:
    from collector.book import Book
    from collector.facts import Fact
    from collector.signals import Trace


class Knowing(Detector):
    """The detector; in the place of the number of each run's cuts stands what it knew when it said so."""

    def facts(self) -> Facts:
        found = super().facts()
        knew = crc32(repr(self.settings).encode()) % 1_000_000
        return Facts(found.settled_from, [replace(f, cuts=knew) if isinstance(f, Run) else f for f in found.facts])


class Stubborn(Knowing):
    """Once it knows a brake, it finds one at every stop."""

    def facts(self) -> Facts:
        found, brake_us = super().facts(), self.settings.habits.brake_us
        if brake_us is None:
            return found
        told = [replace(f, stop_us=brake_us[0]) if isinstance(f, Run) and f.end else f for f in found.facts]
        return Facts(found.settled_from, told)


def work(brakes: str, *, idle: float = 3.0, seed: int = 1, **how: float) -> Trace:
    """Runs of three cuts: of each ``b`` the brake is seen, of each ``-`` it is not."""
    levels = [(70.0, 0.0)]
    for n, seen in enumerate(brakes):
        levels += spin_up(idle)
        for _ in range(3):
            levels += [(3.0, idle), (3.0 + n % 3, idle + 2.0)]
        levels += [(4.0, idle), *([(0.3, 0.0), (2.2 + n % 2 / 10, 2.0)] if seen == "b" else []), (70.0, 0.0)]
    return story(levels, seed=seed, **how)


def derived(saw: str, trace: Trace, settings: DetectSettings, make: type[Detector] = Detector) -> list[Fact]:
    """All facts of a trace by one detector with these settings."""
    detector = make(saw, settings)
    detector.feed(trace)
    return detector.facts().facts


def as_learned(
    book: Book, saw: str, trace: Trace, base: DetectSettings | None = None, make: type[Detector] = Detector
) -> list[Fact]:
    """The facts of a trace as the habits in the book have them: each version's from its date on."""
    base = base or DetectSettings()
    facts = derived(saw, trace, base, make)
    for version in reversed(HabitHistory(book).versions(saw)):
        after = derived(saw, trace, replace(base, habits=version.habits), make)
        date = version.valid_from
        facts = [f for f in facts if f.start < date] + [f for f in after if f.start >= date]
    return facts
