"""Brings a book to this program's schema version in a process of its own: what that takes, 10 MB, ends with it.

Its address comes on stdin, for it may hold a password. Where it fails, whoever opens the book next meets the same
error and tells people.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from sqlalchemy.engine import make_url

from collector.book.book import Book
from collector.book.engine import open_engine, reading
from collector.book.entries import BookError
from collector.book.schema import HEAD
from collector.book.upgrade import version
from dashboard import logs


def prepare(url: str) -> None:
    """Has a book made, or migrated, by a process of its own if it is not of this program's version."""
    try:
        parsed = make_url(url)
        if parsed.get_backend_name() == "sqlite" and parsed.database:
            Path(parsed.database).parent.mkdir(parents=True, exist_ok=True)
        engine = open_engine(url)
        with reading(engine) as connection:
            found = version(connection)
        engine.dispose()
    except Exception:  # noqa: BLE001 (whatever it is, opening the book will say it)
        return
    if found != HEAD:
        # -P: the folder that people stand in is no place to import from.
        subprocess.run([sys.executable, "-P", "-m", "dashboard.prepare"], input=url, text=True, check=False)


if __name__ == "__main__":
    logs.begin(os.environ)
    try:
        Book(sys.stdin.read()).close()
    except BookError:
        sys.exit(1)
