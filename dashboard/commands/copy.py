"""``kerfbook copy``: moves trace and book into the stores of another configuration."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy.exc import SQLAlchemyError

from api.tongues.say import gettext, later, reason
from collector.book.book import Book
from collector.book.copying import copy_book
from collector.book.entries import BookError
from collector.trace.copying import copy_trace
from collector.trace.place import open_trace
from collector.trace.store import TraceError
from dashboard.commands import codes
from dashboard.commands.options import add_config
from dashboard.config import ConfigError, load

if TYPE_CHECKING:
    import argparse

    from dashboard.config.settings import Stores

HELP = later("copy trace and book into the stores of another kerfbook.toml")
MORE = later("""
For moving to bigger stores, a book in PostgreSQL or a trace in InfluxDB, without losing
anything. Stop `kerfbook run` first. Everything is compared by counts and checksums; whatever
is broken off can be started again with the same command. The old stores are only read and
stay as they are.

Exit code: 0 both hold the same, 1 a store failed or differs, 2 no configuration or a wrong one.
""")


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    add_config(parser)
    parser.add_argument(
        "--to", type=Path, required=True, metavar="TOML", help=gettext("whose [stores] are to be filled")
    )


def run(args: argparse.Namespace) -> int:
    """Copy, and compare."""
    try:
        old, new = load(args.config).stores, load(args.to).stores
    except (ConfigError, OSError) as error:
        print("kerfbook copy:", reason(error), file=sys.stderr)
        return codes.MISUSED
    if old.trace == new.trace or old.book == new.book:
        told = gettext("{one} names the trace or the book of {other} itself", one=args.to, other=args.config)
        print(f"kerfbook copy: {told}", file=sys.stderr)
        return codes.MISUSED
    try:
        return _copy(old, new)
    except (BookError, TraceError, SQLAlchemyError, OSError) as error:
        print("kerfbook copy:", reason(error), file=sys.stderr)
        return codes.FLAWED


def _tell_trace(saw: str, readings: int) -> None:
    print(gettext("trace of {saw}: {n} readings", saw=saw, n=readings), flush=True)


def _tell_table(table: str, rows: int) -> None:
    print(gettext("book, {table}: {n} rows", table=table, n=rows), flush=True)


def _copy(old: Stores, new: Stores) -> int:
    new.folder.mkdir(parents=True, exist_ok=True)
    with (
        open_trace(old.trace, readonly=True) as old_trace,
        Book(old.book) as old_book,
        open_trace(new.trace) as new_trace,
        Book(new.book) as new_book,
    ):
        begun = old_book.revision()
        found = copy_trace(old_trace, new_trace, _tell_trace)
        fresh = copy_book(old_book, new_book, _tell_table)
        print(
            gettext(
                "{n} readings are the same in both, {written} of them newly written;",
                n=found.readings,
                written=found.written,
            ),
            gettext("the book was copied and is the same in both")
            if fresh
            else gettext("the book was the same already"),
        )
        if old_book.revision() != begun:
            told = gettext("something wrote to the old book meanwhile; stop `kerfbook run` and copy into empty stores")
            print(f"kerfbook copy: {told}", file=sys.stderr)
            return codes.FLAWED
    return codes.DONE
