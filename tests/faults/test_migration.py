"""The power goes while a book is brought to a newer version: it has its old version or the new one, and every row."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time

import pytest

from collector.book import Book, schema
from collector.book.engine import open_engine, reading, writing
from collector.book.upgrade import version, versions
from tests.book.test_versions import at, contents, fill, tables

pytestmark = pytest.mark.real

KILLS = 20 if os.environ.get("KERFBOOK_FAULTS") == "full" else 3
OLDEST = versions()[0][0]
OPEN = """
import sys
from collector.book import Book
from collector.book.upgrade import versions
versions()  # what is slow to import
print(flush=True)
Book(sys.argv[1])
"""


def test_a_book_that_is_killed_while_its_schema_changes_has_all_its_rows_at_each_start(tmp_path):
    rng, file = random.Random(3), tmp_path / "book.db"
    url = f"sqlite:///{file}"
    engine = open_engine(url)
    at(engine, OLDEST)
    with writing(engine) as connection:
        fill(connection)
    with reading(engine) as connection:
        columns = {table.name: [c.name for c in table.columns] for table in tables(connection)}
        before = contents(connection)
    engine.dispose()
    first = file.read_bytes()
    took, found = opened(url, None), []
    for _ in range(KILLS):
        for end in ("", "-wal", "-shm"):
            file.with_name(file.name + end).unlink(missing_ok=True)
        file.write_bytes(first)
        opened(url, rng.uniform(0, 0.9 * took))
        with sqlite3.connect(file) as looked:
            found.append(looked.execute("SELECT version_num FROM alembic_version").fetchone()[0])
            assert looked.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        looked.close()
        Book(url).close()  # the next start
        engine = open_engine(url)
        with reading(engine) as connection:
            assert version(connection) == schema.HEAD
            assert contents(connection, columns) == before
        engine.dispose()
    assert set(found) <= {OLDEST, schema.HEAD}
    assert OLDEST in found  # some kill came in time


def opened(url: str, seconds: float | None) -> float:
    """A process opens the book; it is killed so many seconds after it began to. Returns how long it took [s]."""
    child = subprocess.Popen([sys.executable, "-c", OPEN, url], stdout=subprocess.PIPE)
    child.stdout.readline()
    began = time.monotonic()
    try:
        child.wait(seconds)
    except subprocess.TimeoutExpired:
        child.send_signal(signal.SIGKILL)
    with child:
        assert child.wait() in {0, -signal.SIGKILL}
    return time.monotonic() - began
