"""Each saw's own detector settings: those calibrated last over the configured ones, and what was learned of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from sqlalchemy import func, select

from collector.book.engine import reading
from collector.book.habits import HabitHistory, saw_habits
from collector.book.settings import SettingsHistory, detect_settings
from collector.detect.detector import Detector

if TYPE_CHECKING:
    from collections.abc import Iterable

    from collector.book.book import Book
    from collector.derive import Make
    from collector.detect.settings import DetectSettings


def settings_of(
    book: Book, saws: Iterable[str], base: DetectSettings, at_us: int | None = None
) -> dict[str, DetectSettings]:
    """Settings of each saw's detector: those of today, with the habits that it had at a time (None: today)."""
    calibrated, learned = SettingsHistory(book), HabitHistory(book)
    found = {}
    for saw in saws:
        settings = calibrated.of(saw, base)
        known = learned.newest(saw) if at_us is None else learned.at(saw, at_us)
        found[saw] = settings if known is None else replace(settings, habits=known.habits)
    return found


def newest(book: Book) -> tuple[int, ...]:
    """Changes whenever `settings_of` may say something else of any saw; one small statement."""
    tables = (detect_settings, saw_habits)
    with reading(book.engine) as connection:
        row = connection.execute(select(*(select(func.max(t.c.id)).scalar_subquery() for t in tables))).one()
    return tuple(number or 0 for number in row)


def maker(settings: dict[str, DetectSettings]) -> Make:
    """A maker of detectors (`collector.derive.Make`) that gives each saw its own settings."""

    def make(saw: str, usual: Any, state: bytes | None) -> Detector:
        return Detector(saw, settings.get(saw, usual), state)

    return make
