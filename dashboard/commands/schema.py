"""``kerfbook schema``: which version the book's tables have, and the way back to an older one."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from sqlalchemy.exc import SQLAlchemyError

from api.tongues.say import gettext, later, reason
from collector.book.engine import open_engine, reading
from collector.book.entries import BookError
from collector.book.upgrade import downgrade, version, versions
from dashboard.commands import codes
from dashboard.commands.options import add_config
from dashboard.config import ConfigError, load

if TYPE_CHECKING:
    import argparse

HELP = later("show the version of the book's tables, or bring them back to an older one")
MORE = later("""
A newer Kerfbook brings the book to its own version when it starts; an older Kerfbook refuses
a newer book and changes nothing. The way back to an older Kerfbook: stop `kerfbook run`, bring
the book back with the newer program's `kerfbook schema --to VERSION` (the version that the
older one names when it refuses), then start the older one. What the older version has no place
for is lost (the list says what each version brought); all else stays. A book in an SQLite
file is copied before, to book.sqlite.was-VERSION, at each upgrade too; for PostgreSQL use
`kerfbook backup` or its own tools before.

Exit code: 0 shown or done, 1 it could not be done, 2 wrong arguments or configuration.
""")


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    add_config(parser)
    parser.add_argument("--to", metavar="VERSION", help=gettext("bring the book back to this version"))


def run(args: argparse.Namespace) -> int:
    """Show, or bring back."""
    try:
        engine = open_engine(load(args.config).stores.book)
    except (ConfigError, BookError, OSError) as error:
        print("kerfbook schema:", reason(error), file=sys.stderr)
        return codes.MISUSED
    try:
        if args.to is not None:
            was = downgrade(engine, args.to)
            print(
                gettext("brought the book from {old} back to {new}; start the older Kerfbook now", old=was, new=args.to)
            )
            return codes.DONE
        with reading(engine) as connection:
            found = version(connection)
    except (BookError, SQLAlchemyError) as error:
        print("kerfbook schema:", reason(error), file=sys.stderr)
        return codes.FLAWED
    finally:
        engine.dispose()
    for revision, brought in versions():
        print(f"{'->' if revision == found else '  '} {revision:<18} {brought}")
    if found is None:
        print(gettext("there is no book yet"))
    return codes.DONE
