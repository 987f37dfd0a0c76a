"""Which stores a command works on: those of a kerfbook.toml, or of a demo's folder."""

from __future__ import annotations

import datetime as dt
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from api.answers.calendar import instant
from api.tongues.say import gettext
from collector.book.book import Book
from collector.detect.settings import DetectSettings
from collector.facts import parse_iso
from collector.trace.place import open_trace
from dashboard.config import ConfigError, NoConfigError, load
from simulator import world

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator
    from zoneinfo import ZoneInfo

    from collector.trace.place import InfluxPlace
    from collector.trace.store import TraceStore


class NoPlaceError(Exception):
    """There are no stores where the command looks; the text says what to do."""


@dataclass(frozen=True, slots=True)
class Place:
    """A site's stores and settings.

    Attributes:
        trace: file of the trace, or its bucket.
        book: SQLAlchemy address of the book.
        zone: the site's zone.
        saws: names of its saws.
        detection: the configured settings of the detector.
    """

    trace: Path | InfluxPlace
    book: str
    zone: ZoneInfo
    saws: tuple[str, ...]
    detection: DetectSettings

    def check_saw(self, saw: str) -> None:
        """Whether the site has that saw.

        Raises:
            NoPlaceError: it has not.
        """
        if saw not in self.saws:
            raise NoPlaceError(
                gettext("there is no saw {saw}; there are {saws}", saw=repr(saw), saws=", ".join(self.saws))
            )

    @contextmanager
    def open(self) -> Iterator[tuple[TraceStore, Book]]:
        """The trace, for reading alone, and the book.

        Raises:
            collector.trace.store.TraceError: there is no trace, or it cannot be read.
            collector.book.entries.BookError: the book cannot be opened.
        """
        with open_trace(self.trace, readonly=True) as trace, Book(self.book) as book:
            yield trace, book

    def open_book(self) -> Book:
        """The book alone; it is made where there is none yet.

        Raises:
            collector.book.entries.BookError: it cannot be opened.
        """
        if self.book.startswith("sqlite:///"):
            Path(self.book.removeprefix("sqlite:///")).parent.mkdir(parents=True, exist_ok=True)
        return Book(self.book)


def add_place(parser: argparse.ArgumentParser) -> None:
    """Describe ``--config`` and ``--folder``."""
    where = parser.add_mutually_exclusive_group()
    where.add_argument(
        "--config",
        type=Path,
        default=Path("kerfbook.toml"),
        metavar="TOML",
        help=gettext("default: {path}", path="kerfbook.toml"),
    )
    where.add_argument(
        "--folder", type=Path, metavar="DIR", help=gettext("the folder of a demo, instead of a kerfbook.toml")
    )


def find_place(args: argparse.Namespace) -> Place:
    """The stores that the arguments name.

    Raises:
        NoPlaceError: there are none, or the configuration is wrong.
    """
    if args.folder is not None:
        if not (args.folder / "demo.json").exists():
            raise NoPlaceError(
                gettext(
                    "{path} is no folder of a demo; name the one given to `kerfbook demo --folder`", path=args.folder
                )
            )
        folder = args.folder.resolve()
        return Place(
            folder / "trace.sqlite",
            f"sqlite:///{folder / 'book.sqlite'}",
            world.ZONE,
            tuple(world.SAWS),
            DetectSettings(),
        )
    try:
        settings = load(args.config)
    except ConfigError as error:
        told = gettext("{path} must be mended first", path=args.config)
        raise NoPlaceError(f"{error}\n\n{told}") from error
    except NoConfigError as error:
        told = gettext(
            "there is no {path}: name yours with --config, or a demo's folder with --folder", path=args.config
        )
        raise NoPlaceError(told) from error
    except OSError as error:
        hint = gettext("name yours with --config, or a demo's folder with --folder")
        raise NoPlaceError(f"{args.config}: {error.strerror}; {hint}") from error
    return Place(
        settings.stores.trace,
        settings.stores.book,
        settings.site.tz,
        tuple(saw.name for saw in settings.saws),
        settings.detection,
    )


def moment(text: str, zone: ZoneInfo) -> int:
    """Microseconds of a time: a date or a time of the site, or RFC 3339 with a zone.

    Raises:
        ValueError: it is none of these.
    """
    try:
        return instant(dt.date.fromisoformat(text), 0, zone)
    except ValueError:
        pass
    try:
        when = dt.datetime.fromisoformat(text)
        if when.tzinfo is None:
            when = when.replace(tzinfo=zone)
        return parse_iso(when.astimezone(dt.UTC).isoformat())
    except (ValueError, OverflowError):
        raise ValueError(
            gettext(
                "{text} is no time; write 2026-03-02, '2026-03-02 14:00' (site time) or 2026-03-02T14:00:00Z",
                text=repr(text),
            )
        ) from None


def clock(us: int, zone: ZoneInfo, form: str = "%Y-%m-%d %H:%M:%S") -> str:
    """A time for people, in the site's zone."""
    return dt.datetime.fromtimestamp(us / 1_000_000, zone).strftime(form)
