"""``kerfbook restore``: a backup into empty stores, whole or not at all."""

from __future__ import annotations

import sqlite3
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy.exc import SQLAlchemyError

from api.tongues.say import gettext, later, reason
from collector.backup.manifest import BackupError
from collector.backup.restore import restore, settings_in
from collector.book.entries import BookError
from collector.facts import iso
from collector.trace.store import TraceError
from dashboard.commands import codes
from dashboard.commands.options import add_config
from dashboard.commands.telling import tell
from dashboard.config import ConfigError, load, loads

if TYPE_CHECKING:
    import argparse

HELP = later("put a backup back into empty stores, whole or not at all")
MORE = later("""
Every checksum in the backup is compared before anything is written, and nothing is ever
written over: move old stores away first, and stop `kerfbook run`. The stores are those of
kerfbook.toml here, or of the file named with --config, also where these are bigger ones than
those that were backed up. Where there is no such file, the one in the backup is put there.

What the broker handed to Kerfbook after the instant of the backup is not in it.

Exit code: 0 restored, 1 the backup is damaged, or a store failed or is not empty, 2 no
configuration or a wrong one.
""")


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    parser.add_argument("file", type=Path, metavar="FILE", help=gettext("as `kerfbook backup` wrote it"))
    add_config(parser)
    parser.add_argument("--check", action="store_true", help=gettext("compare the checksums and stop"))


def run(args: argparse.Namespace) -> int:
    """Check, then restore."""
    fresh = not args.config.exists()
    try:
        text = settings_in(args.file)
        if args.check:
            print(gettext("{path} is whole", path=args.file))
            return codes.DONE
        if not fresh:
            settings = load(args.config)
        elif text is not None:
            settings = loads(text.decode(), str(args.config), args.config.resolve().parent)
        else:
            told = gettext("there is no {path}, and none in the backup", path=args.config)
            print(f"kerfbook restore: {told}", file=sys.stderr)
            return codes.MISUSED
        made = restore(args.file, settings.stores.trace, settings.stores.book, tell)
        if fresh and text is not None:
            with args.config.open("xb") as file:
                args.config.chmod(0o600)
                file.write(text)
            print(gettext("{path} is the one from the backup", path=args.config))
    except ConfigError as error:
        print("kerfbook restore:", reason(error), file=sys.stderr)
        if fresh and not args.check:
            told = gettext(
                "Files with passwords and certificates are in no backup: put them there, then restore again. Nothing "
                "was written."
            )
            print(told, file=sys.stderr)
        return codes.MISUSED
    except (BackupError, BookError, TraceError, SQLAlchemyError, sqlite3.Error, OSError) as error:
        print("kerfbook restore:", reason(error), file=sys.stderr)
        return codes.FLAWED
    readings = sum(one.readings for one in made.trace.values())
    print(
        gettext(
            "restored {site} as it was at {time}: {readings} readings, {rows} rows",
            site=made.site,
            time=iso(made.at_us),
            readings=readings,
            rows=sum(made.rows.values()),
        )
    )
    for path in made.left_out:
        print(gettext("was not in the backup, see that it is there: {path}", path=path))
    return codes.DONE
