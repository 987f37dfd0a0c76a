"""Each saw's own detector settings at work: the ones calibrated last, over those of the configuration."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from collector.book.settings import SettingsHistory
from collector.detect.detector import Detector

if TYPE_CHECKING:
    from collections.abc import Iterable

    from collector.book.book import Book
    from collector.derive import Make
    from collector.detect.settings import DetectSettings


def settings_of(book: Book, saws: Iterable[str], base: DetectSettings) -> dict[str, DetectSettings]:
    """Today's settings of each saw's detector."""
    history = SettingsHistory(book)
    return {saw: history.of(saw, base) for saw in saws}


def maker(settings: dict[str, DetectSettings]) -> Make:
    """A maker of detectors (`collector.derive.Make`) that gives each saw its own settings."""

    def make(saw: str, usual: Any, state: bytes | None) -> Detector:
        return Detector(saw, settings.get(saw, usual), state)

    return make
