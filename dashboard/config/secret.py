"""The secrets that a configuration holds or names the files of, so that the log can leave them out."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING
from urllib.parse import unquote, urlsplit

from collector.trace.place import InfluxPlace

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from dashboard.config.settings import Settings


def secrets_of(settings: Settings) -> Iterator[str]:
    """Each as it could stand in a text; those in files that cannot be read now are left out."""
    trace = settings.stores.trace
    files: list[Path | None] = [settings.broker.password_file]
    if isinstance(trace, InfluxPlace):
        files.append(trace.token_file)
    for file in files:
        if file is not None:
            with suppress(OSError, UnicodeDecodeError):
                kept = file.read_text("utf-8").strip()
                yield kept
                yield kept.rpartition(":")[2]  # InfluxDB 1.x: name:password
    yield from _passwords(settings.stores.book)
    for channel in settings.telling.policy.channels:
        if len(channel.address) > len("mqtt:"):
            yield channel.address  # whole: of many services the path is the secret
        yield from _passwords(channel.address)


def _passwords(address: str) -> Iterator[str]:
    with suppress(ValueError):
        password = urlsplit(address).password
        if password:
            yield password
            yield unquote(password)
