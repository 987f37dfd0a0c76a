"""A book is brought to the program's schema when it is opened, or refused in a clear sentence."""

from __future__ import annotations

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import inspect, text

import collector.book as book_room
from collector.book import Book, BookError, schema
from collector.book.engine import open_engine, reading, writing
from collector.book.upgrade import version
from collector.book.whole import whole_schema


@pytest.fixture
def engine(url):
    """The database as a stranger sees it."""
    engine = open_engine(url)
    yield engine
    engine.dispose()


def migrations() -> Config:
    config = Config()
    config.set_main_option("script_location", f"{book_room.__path__[0]}/migrations")
    config.set_main_option("path_separator", "os")
    return config


def test_the_migrations_end_at_the_version_that_the_program_names():
    assert ScriptDirectory.from_config(migrations()).get_heads() == [schema.HEAD]


def test_migrating_from_nothing_gives_exactly_the_tables_of_the_schema(url, engine):
    Book(url).close()
    with reading(engine) as connection:
        assert version(connection) == schema.HEAD
        assert compare_metadata(MigrationContext.configure(connection), whole_schema()) == []


def test_the_migrations_can_be_undone(url, engine):
    from alembic import command  # noqa: PLC0415

    Book(url).close()
    config = migrations()
    with writing(engine) as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "base")
        assert inspect(connection).get_table_names() == ["alembic_version"]
    Book(url).close()


def test_a_book_of_a_newer_program_is_refused_and_left_alone(url, engine):
    Book(url).close()
    with writing(engine) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(BookError, match=r"schema version 9999.*newer Kerfbook"):
        Book(url)
    with reading(engine) as connection:
        assert version(connection) == "9999"


def test_a_database_with_something_else_in_it_is_refused(url, engine):
    with writing(engine) as connection:
        connection.execute(text("CREATE TABLE invoices (id INTEGER)"))
    with pytest.raises(BookError, match="invoices"):
        Book(url)


def test_a_missing_folder_and_a_wrong_url_are_named(tmp_path):
    with pytest.raises(BookError, match="does not exist"):
        Book(f"sqlite:///{tmp_path}/nowhere/book.db")
    with pytest.raises(BookError, match="no database URL"):
        Book("book.db")
    with pytest.raises(BookError, match="needs a file"):
        Book("sqlite://")


def test_many_that_open_a_new_book_at_once_wait_for_one_another(url):
    with ThreadPoolExecutor(8) as pool:
        books = list(pool.map(lambda _: Book(url), range(8)))
    assert {book.revision() for book in books} == {0}
    for book in books:
        book.close()


def test_a_book_at_its_head_opens_without_the_migration_library(url):
    Book(url).close()
    code = f"import sys; from collector.book import Book; Book({url!r}).close(); print('alembic' in sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "False"
