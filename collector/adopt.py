"""Each saw's own detector settings at work: the ones calibrated last, over those of the configuration."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Any

from collector.book.settings import SettingsHistory
from collector.derive import derive_again
from collector.detect.detector import Detector

if TYPE_CHECKING:
    from collections.abc import Iterable

    from collector.book.book import Book
    from collector.derive import Make, TraceReader
    from collector.detect.settings import DetectSettings

log = logging.getLogger(__name__)


def settings_of(book: Book, saws: Iterable[str], base: DetectSettings) -> dict[str, DetectSettings]:
    """Today's settings of each saw's detector."""
    history = SettingsHistory(book)
    return {saw: history.of(saw, base) for saw in saws}


def maker(settings: dict[str, DetectSettings]) -> Make:
    """A maker of detectors (`collector.derive.Make`) that gives each saw its own settings."""

    def make(saw: str, usual: Any, state: bytes | None) -> Detector:
        return Detector(saw, settings.get(saw, usual), state)

    return make


def adopt(trace: TraceReader, book: Book, settings: dict[str, DetectSettings]) -> list[str]:
    """Lets each live derivation whose settings changed since it was written down begin its last stretch again.

    Call it before the collector starts, by the process that is the only writer of these saws. The past before the
    last rest point stays as it is; `collector.rederive` is for that.

    Returns:
        the saws that changed.
    """
    changed = []
    make = maker(settings)
    for saw, wanted in settings.items():
        point = book.checkpoint(saw)
        if point is None or not point.state or _settings_in(point.state) in {None, wanted}:
            continue
        change = derive_again(trace, book, saw, point.consumed_us, point.consumed_us, wanted, make)
        if change.detector is None:
            continue
        book.commit([change.commit()])
        changed.append(saw)
        log.info("saw %s: its detector works with the settings of the newest calibration", saw)
    return changed


def _settings_in(state: bytes) -> DetectSettings | None:
    """The settings that a detector's state holds; None where this program cannot read it.

    Such a state the collector does not take up either: it derives that stretch again, with today's settings.
    """
    try:
        return Detector("", None, state).settings
    except ValueError:
        return None
