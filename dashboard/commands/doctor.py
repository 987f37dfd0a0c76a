"""``kerfbook doctor``: looks at everything a workshop depends on, and says what to do about what is not well."""

from __future__ import annotations

import importlib.metadata
import platform
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy.engine import make_url

from api.tongues.amounts import number
from api.tongues.say import gettext, later, ngettext, reason
from collector.backup.restore import unfinished
from collector.book.alerts import AlertBook
from collector.book.book import Book
from collector.book.entries import BookError
from collector.book.mend import sound
from dashboard.commands import codes
from dashboard.commands.options import add_config
from dashboard.config import ConfigError, Settings, load
from dashboard.doctor import broker, machine, stores
from dashboard.doctor.finding import Finding

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator

HELP = later("look whether broker, stores, disk, boxes and alerts are well; says what to do")
MORE = later("""
Prints one line for each thing it looked at, and what to do below each that is not well. May be
used while `kerfbook run` is running.

Exit code: 0 all is well, 1 something is not, 2 no configuration or a wrong one.
""")

_SILENT_S = 15 * 60
_SKEW_S = 60
_LOOK_S = 10 * 60


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    add_config(parser)


def run(args: argparse.Namespace) -> int:
    """Look, print, and tell by the exit code."""
    try:
        settings = load(args.config)
    except (ConfigError, OSError) as error:
        print("kerfbook doctor:", reason(error), file=sys.stderr)
        return codes.MISUSED
    well, unwell = gettext("well"), gettext("NOT WELL")
    width = max(len(well), len(unwell)) + 1
    ill = 0
    for subject, seen, advice in examine(settings, time.time()):
        ill += bool(advice)
        print(f"{unwell if advice else well:<{width}} {subject}: {seen}")
        if advice:
            print(f"{'':<{width}} {advice}")
    print(ngettext("{n} not well", "{n} not well", ill) if ill else gettext("all is well"))
    return codes.FLAWED if ill else codes.DONE


def examine(settings: Settings, now: float) -> Iterator[Finding]:
    """All findings, in the order of a reading's way; ``now`` in seconds since 1970."""
    own = importlib.metadata.version("kerfbook")
    yield Finding(gettext("versions"), f"kerfbook {own}, Python {platform.python_version()}")
    yield machine.clock(machine.synchronised())
    service = machine.service()
    if service is not None:
        yield service
    yield from machine.secrets(settings)
    yield from broker.look(settings, now)
    left = unfinished(settings.stores.trace, settings.stores.book)
    if left is not None:
        yield Finding(
            gettext("restore"),
            gettext("has not come to its end: {path} is there", path=left),
            gettext("run `kerfbook restore` again with the same backup"),
        )
    yield stores.disk(settings, now)
    yield stores.trace(settings)
    yield stores.backup(settings, now)
    url = make_url(settings.stores.book)
    if url.get_backend_name() == "sqlite" and url.database:
        path = Path(url.database)
        if not path.exists():
            seen = gettext("there is no {path} yet", path=path)
            yield Finding(gettext("book"), seen, gettext("start `kerfbook run`; it makes the book"))
            return
        try:
            whole = sound(path)
        except BookError as error:
            yield Finding(gettext("book"), reason(error), gettext("see that the file can be read and written"))
            return
        if not whole:
            yield Finding(
                gettext("book"),
                gettext("{path} is torn", path=path),
                gettext("stop `kerfbook run` and start it again: it mends the book; check the disk"),
            )
            return
        for aside in sorted(path.parent.glob(f"{path.name}.torn-*[0-9]Z")):
            yield Finding(
                gettext("book"),
                gettext("was torn once: {path}", path=aside),
                gettext("see the log for what was kept; move the file away when you have"),
            )
    try:
        with Book(settings.stores.book) as book:
            yield Finding(gettext("book"), gettext("can be read, {n} commits", n=book.revision()))
            yield from broker.sessions(settings, book)
            yield from _boxes(settings, book, now)
            yield _alerts(book, now)
    except (BookError, OSError) as error:
        advice = gettext("see that the database answers and its address in [stores] is right")
        yield Finding(gettext("book"), reason(error), advice)


def _boxes(settings: Settings, book: Book, now: float) -> Iterator[Finding]:
    nows = book.nows()
    for saw in settings.saws:
        entry = nows.get(saw.name)
        subject = gettext("box of {saw}", saw=saw.name)
        if entry is None:
            advice = gettext("see that it has power, and that broker, site and saw are set in it")
            yield Finding(subject, gettext("never heard"), advice)
            continue
        skew = (entry.clock_skew_us or 0) / 1e6  # its newest time less that of receipt
        age, heard = now - entry.at / 1e6, now - entry.at / 1e6 + skew
        if heard > _SILENT_S:
            seen = ngettext("silent for {n} minute", "silent for {n} minutes", round(heard / 60))
            yield Finding(subject, seen, gettext("see whether it has power and network"))
        elif skew > _SKEW_S or age < -_SKEW_S:
            seen = gettext("its clock is {n} s ahead", n=round(max(skew, -age)))
            yield Finding(subject, seen, gettext("set the box's clock or its time server"))
        elif skew < -_SKEW_S:
            yield Finding(
                subject,
                gettext("its readings come {n} s late", n=round(-skew)),
                gettext(
                    "it delivers what it kept while it was cut off; if this lasts, set the box's clock or its time "
                    "server"
                ),
            )
        else:
            off = f"{'+' if skew >= 0 else '-'}{number(abs(skew), 1)}"
            seen = gettext("heard {n} s ago, its clock {skew} s from ours", n=round(max(heard, 0)), skew=off)
            yield Finding(subject, seen)


def _alerts(book: Book, now: float) -> Finding:
    alerts = AlertBook(book)
    standing, looked = len(alerts.standing()), alerts.looked()
    subject, start = gettext("alerts"), gettext("start `kerfbook run` or `kerfbook alerts`")
    if looked is None:
        return Finding(subject, gettext("{n} standing; nobody has looked yet", n=standing), start)
    age = now - looked / 1e6
    if age > _LOOK_S:
        seen = gettext("{n} standing; last look {minutes} minutes ago", n=standing, minutes=round(age / 60))
        return Finding(subject, seen, start)
    return Finding(subject, gettext("{n} standing, last look {seconds} s ago", n=standing, seconds=round(max(age, 0))))
