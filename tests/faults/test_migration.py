"""The power goes while a book is brought to a newer version: it has its old version or the new one, and every row."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys

import pytest

from collector.book import Book, schema
from collector.book.engine import open_engine, reading, writing
from collector.book.upgrade import version, versions
from tests.book.test_versions import at, contents, fill, tables

pytestmark = pytest.mark.real

KILLS = 20 if os.environ.get("KERFBOOK_FAULTS") == "full" else 3
OLDEST = versions()[0][0]
OPEN = """
import os, signal, sys, threading
from sqlalchemy import Engine, event
from collector.book import Book

deadly, after, seen = int(sys.argv[2]), float(sys.argv[3]), 0

@event.listens_for(Engine, "before_cursor_execute")
@event.listens_for(Engine, "commit")
def count(*_):
    global seen
    seen += 1
    if seen == deadly:
        threading.Timer(after, os.kill, (os.getpid(), signal.SIGKILL)).start()

Book(sys.argv[1])
print(seen)
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
    statements, found = opened(url), []
    # In any part of the way, and a moment after a statement began: so it may hit a commit that is being written.
    for part in range(KILLS):
        for end in ("", "-wal", "-shm"):
            file.with_name(file.name + end).unlink(missing_ok=True)
        file.write_bytes(first)
        opened(url, 1 + int((part + rng.random()) / KILLS * statements), rng.uniform(0, 0.02))
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


def opened(url: str, deadly: int = 0, after: float = 0) -> int:
    """A process opens the book and is killed so many seconds after a statement, counted from 1, began; 0: it lives.

    Returns:
        how many statements and commits it took; 0: it was killed.
    """
    child = subprocess.run([sys.executable, "-c", OPEN, url, str(deadly), str(after)], stdout=subprocess.PIPE)
    assert child.returncode in {0, -signal.SIGKILL}
    return int(child.stdout or 0)
