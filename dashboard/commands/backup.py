"""``kerfbook backup``: trace, book and settings in one file, while everything goes on."""

from __future__ import annotations

import datetime as dt
import importlib.metadata
import sqlite3
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy.exc import SQLAlchemyError

from api.tongues.amounts import number
from api.tongues.say import gettext, later, reason
from collector.backup.kept import name_of, rotate
from collector.backup.make import make_backup
from collector.backup.manifest import BackupError
from collector.book.entries import BookError
from collector.trace.store import TraceError
from dashboard.commands import codes
from dashboard.commands.options import add_config
from dashboard.commands.telling import tell
from dashboard.config import ConfigError, load

if TYPE_CHECKING:
    import argparse

    from dashboard.config.settings import Settings

HELP = later("trace, book and settings in one file, while `kerfbook run` goes on")
MORE = later("""
Writes kerfbook-SITE-TIME.zip into the folder of [backup] in kerfbook.toml, or where --to
says: the trace and the book of one instant as SQLite files, kerfbook.toml, and manifest.json
with counts and checksums. Password files are not in it, but listed. For every night:

    15 3 * * *  kerfbook backup --config /etc/kerfbook/kerfbook.toml --keep 14

Copy the file to another machine: a backup beside the original burns with it. `kerfbook
restore` puts it back; try that once before you need it.

Exit code: 0 written, 1 a store or the disk failed and nothing was written, 2 no
configuration or a wrong one.
""")


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    add_config(parser)
    parser.add_argument(
        "--to", type=Path, metavar="PATH", help=gettext("a folder, or a new file whose name ends in .zip")
    )
    parser.add_argument(
        "--keep",
        type=int,
        metavar="N",
        help=gettext("afterwards delete this site's backups in the folder but for the newest N"),
    )


def run(args: argparse.Namespace) -> int:
    """Write, then clear away."""
    try:
        settings = load(args.config)
        text = args.config.read_bytes()
    except (ConfigError, OSError) as error:
        print("kerfbook backup:", reason(error), file=sys.stderr)
        return codes.MISUSED
    if args.keep is not None and args.keep < 1:
        print("kerfbook backup:", gettext("--keep wants 1 or more"), file=sys.stderr)
        return codes.MISUSED
    given: Path = args.to or settings.backup.folder
    site = settings.site.name
    target = given if given.suffix == ".zip" else given / name_of(site, dt.datetime.now(dt.UTC))
    try:
        made = make_backup(
            settings.stores.trace,
            settings.stores.book,
            target,
            site=site,
            program=importlib.metadata.version("kerfbook"),
            settings=text,
            left_out=_secrets(settings),
            told=tell,
        )
        keep = args.keep if args.keep is not None else settings.backup.keep
        gone = rotate(target.parent, site, keep) if given is not target and keep else []
    except (BackupError, BookError, TraceError, SQLAlchemyError, sqlite3.Error, OSError) as error:
        print("kerfbook backup:", reason(error), file=sys.stderr)
        return codes.FLAWED
    readings = sum(one.readings for one in made.trace.values())
    print(
        gettext(
            "{path}: {size} MB, {readings} readings, {rows} rows",
            path=target,
            size=number(target.stat().st_size / 1e6, 1),
            readings=readings,
            rows=sum(made.rows.values()),
        )
    )
    for path in gone:
        print(gettext("deleted {path}, older than the newest {n}", path=path, n=keep))
    for name in made.left_out:
        print(gettext("not in it, keep it elsewhere: {path}", path=name))
    return codes.DONE


def _secrets(settings: Settings) -> list[str]:
    """Files that the settings name, which a backup must not carry about."""
    trace = settings.stores.trace
    named = [settings.broker.password_file, settings.broker.ca_file]
    named += [] if isinstance(trace, Path) else [trace.token_file]
    return [str(path) for path in named if path is not None]
