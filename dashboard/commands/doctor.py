"""``kerfbook doctor``: looks at everything a workshop depends on, and says what to do about what is not well."""

from __future__ import annotations

import importlib.metadata
import platform
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy.engine import make_url

from collector.backup.restore import unfinished
from collector.book.alerts import AlertBook
from collector.book.book import Book
from collector.book.entries import BookError
from collector.book.mend import sound
from dashboard.commands import codes
from dashboard.config import ConfigError, Settings, load
from dashboard.doctor import broker, machine, stores
from dashboard.doctor.finding import Finding

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator

HELP = "look whether broker, stores, disk, boxes and alerts are well; says what to do"
MORE = """
Prints one line for each thing it looked at, and what to do below each that is not well. May be
used while `kerfbook run` is running.

Exit code: 0 all is well, 1 something is not, 2 no configuration or a wrong one.
"""

_SILENT_S = 15 * 60
_SKEW_S = 60
_LOOK_S = 10 * 60


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    parser.add_argument(
        "--config", type=Path, default=Path("kerfbook.toml"), metavar="TOML", help="default: kerfbook.toml"
    )


def run(args: argparse.Namespace) -> int:
    """Look, print, and tell by the exit code."""
    try:
        settings = load(args.config)
    except (ConfigError, OSError) as error:
        print(f"kerfbook doctor: {error}", file=sys.stderr)
        return codes.MISUSED
    ill = 0
    for subject, seen, advice in examine(settings, time.time()):
        ill += bool(advice)
        print(f"{'NOT WELL' if advice else 'well':<9} {subject}: {seen}")
        if advice:
            print(f"          {advice}")
    print("all is well" if not ill else f"{ill} not well")
    return codes.FLAWED if ill else codes.DONE


def examine(settings: Settings, now: float) -> Iterator[Finding]:
    """All findings, in the order of a reading's way; ``now`` in seconds since 1970."""
    yield Finding("versions", f"kerfbook {importlib.metadata.version('kerfbook')}, Python {platform.python_version()}")
    yield machine.clock(machine.synchronised())
    service = machine.service()
    if service is not None:
        yield service
    yield from machine.secrets(settings)
    yield from broker.look(settings, now)
    left = unfinished(settings.stores.trace, settings.stores.book)
    if left is not None:
        yield Finding(
            "restore", f"has not come to its end: {left} is there", "run `kerfbook restore` again with the same backup"
        )
    yield stores.disk(settings, now)
    yield stores.trace(settings)
    yield stores.backup(settings, now)
    url = make_url(settings.stores.book)
    if url.get_backend_name() == "sqlite" and url.database:
        path = Path(url.database)
        if not path.exists():
            yield Finding("book", f"there is no {path} yet", "start `kerfbook run`; it makes the book")
            return
        try:
            whole = sound(path)
        except BookError as error:
            yield Finding("book", str(error), "see that the file can be read and written")
            return
        if not whole:
            yield Finding(
                "book", f"{path} is torn", "stop `kerfbook run` and start it again: it mends the book; check the disk"
            )
            return
        for aside in sorted(path.parent.glob(f"{path.name}.torn-*[0-9]Z")):
            yield Finding(
                "book", f"was torn once: {aside}", "see the log for what was kept; move the file away when you have"
            )
    try:
        with Book(settings.stores.book) as book:
            yield Finding("book", f"can be read, {book.revision()} commits")
            yield from broker.sessions(settings, book)
            yield from _boxes(settings, book, now)
            yield _alerts(book, now)
    except (BookError, OSError) as error:
        yield Finding("book", str(error), "see that the database answers and its address in [stores] is right")


def _boxes(settings: Settings, book: Book, now: float) -> Iterator[Finding]:
    nows = book.nows()
    for saw in settings.saws:
        entry = nows.get(saw.name)
        subject = f"box of {saw.name}"
        if entry is None:
            yield Finding(subject, "never heard", "see that it has power, and that broker, site and saw are set in it")
            continue
        skew = (entry.clock_skew_us or 0) / 1e6  # its newest time less that of receipt
        age, heard = now - entry.at / 1e6, now - entry.at / 1e6 + skew
        if heard > _SILENT_S:
            yield Finding(subject, f"silent for {heard / 60:.0f} minutes", "see whether it has power and network")
        elif skew > _SKEW_S or age < -_SKEW_S:
            yield Finding(
                subject, f"its clock is {max(skew, -age):.0f} s ahead", "set the box's clock or its time server"
            )
        elif skew < -_SKEW_S:
            yield Finding(
                subject,
                f"its readings come {-skew:.0f} s late",
                "it delivers what it kept while it was cut off; if this lasts, set the box's clock or its time server",
            )
        else:
            yield Finding(subject, f"heard {max(heard, 0):.0f} s ago, its clock {skew:+.1f} s from ours")


def _alerts(book: Book, now: float) -> Finding:
    alerts = AlertBook(book)
    standing, looked = len(alerts.standing()), alerts.looked()
    seen = f"{standing} standing"
    if looked is None:
        return Finding("alerts", f"{seen}; nobody has looked yet", "start `kerfbook run` or `kerfbook alerts`")
    age = now - looked / 1e6
    if age > _LOOK_S:
        return Finding(
            "alerts", f"{seen}; last look {age / 60:.0f} minutes ago", "start `kerfbook run` or `kerfbook alerts`"
        )
    return Finding("alerts", f"{seen}, last look {max(age, 0):.0f} s ago")
