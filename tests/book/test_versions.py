"""From every schema version ever released: up to the newest with every row kept, and back."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import (
    BigInteger,
    Boolean,
    Float,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    create_engine,
    inspect,
    select,
    text,
)

from collector.book import Book, BookError, schema
from collector.book.engine import open_engine, reading, writing
from collector.book.upgrade import _config, downgrade, version, versions

VERSIONS = [revision for revision, _ in versions()]
ROWS = 3
OURS = {"alembic_version"}
"""Tables that an upgrade itself writes."""


@pytest.fixture
def engine(url):
    engine = open_engine(url)
    yield engine
    engine.dispose()


def tables(connection) -> list[Table]:
    """As they are in the database, each after those that it points at."""
    metadata = MetaData()
    metadata.reflect(connection)
    return [table for table in metadata.sorted_tables if table.name not in OURS]


def plausible(column, row: int):
    """A value that the column takes; in another row another one."""
    kind = column.type
    for key in column.foreign_keys:
        return None if key.column.table is column.table else row + 1
    if isinstance(kind, Boolean):
        return row % 2 == 0
    if isinstance(kind, LargeBinary):
        return bytes([row, 0, 255])
    if column.name == "id":
        return row + 1
    if column.name.endswith("_us"):
        return 1_772_442_000_000_000 + row * 60_000_000
    if isinstance(kind, Float):
        return 3.5 + row
    if isinstance(kind, BigInteger | Integer):
        return row + 1
    if column.name in {"body", "detail", "stretches"}:
        return "{}"
    return f"{column.name[:12]}-{row}"


def fill(connection) -> None:
    """Rows in every table; one of those that the program keeps a single row of may stand there already."""
    for table in tables(connection):
        if connection.execute(select(table)).first() is None:
            rows = [{column.name: plausible(column, row) for column in table.columns} for row in range(ROWS)]
            connection.execute(table.insert(), rows)


def contents(connection, only: dict[str, list[str]] | None = None) -> dict[str, list[tuple]]:
    """Every row of every table, or of the tables and columns that are named."""
    found = {}
    for table in tables(connection):
        if only is None or table.name in only:
            names = [c.name for c in table.columns] if only is None else only[table.name]
            rows = connection.execute(select(*(table.c[name] for name in names))).all()
            found[table.name] = sorted((tuple(row) for row in rows), key=repr)
    return found


def at(engine, revision: str) -> None:
    """An empty book of that version."""
    with writing(engine) as connection:
        config = _config()
        config.attributes["connection"] = connection
        command.upgrade(config, revision)


@pytest.mark.parametrize("released", VERSIONS)
def test_a_book_of_any_version_comes_to_the_newest_and_back_with_every_row(released, url, engine):
    at(engine, released)
    with writing(engine) as connection:
        fill(connection)
    with reading(engine) as connection:
        columns = {table.name: [c.name for c in table.columns] for table in tables(connection)}
        before = contents(connection)
    assert all(before.values())
    Book(url).close()
    with reading(engine) as connection:
        assert version(connection) == schema.HEAD
        assert contents(connection, columns) == before
    if released == schema.HEAD:
        return
    with writing(engine) as connection:
        connection.execute(text("DELETE FROM holder"))
    assert downgrade(engine, released) == schema.HEAD
    with reading(engine) as connection:
        assert version(connection) == released
        assert {t.name for t in tables(connection)} == set(columns)
        assert contents(connection) == {k: v for k, v in before.items() if k != "holder"} | (
            {"holder": []} if "holder" in before else {}
        )
    Book(url).close()  # and up once more


def test_the_newest_rows_that_an_older_version_has_a_place_for_survive_the_way_back(url, engine):
    """What was said under the newest version, read under the first."""
    Book(url).close()
    with writing(engine) as connection:
        fill(connection)
        connection.execute(text("DELETE FROM holder"))
        everything = contents(connection)
    downgrade(engine, VERSIONS[0])
    with reading(engine) as connection:
        left = contents(connection)
        assert set(left) < set(everything)
        assert {name: everything[name] for name in left} == left


def test_before_each_change_a_copy_of_the_file_is_laid_beside_it(tmp_path):
    url = f"sqlite:///{tmp_path}/book.db"
    engine = open_engine(url)
    at(engine, VERSIONS[0])
    with writing(engine) as connection:
        fill(connection)
        before = contents(connection)
    Book(url).close()
    with writing(engine) as connection:
        connection.execute(text("UPDATE saw SET title = 'Renamed since'"))
    downgrade(engine, VERSIONS[3])
    engine.dispose()
    assert sorted(path.name for path in tmp_path.glob("book.db.was-*")) == sorted(
        f"book.db.was-{name}" for name in (VERSIONS[0], schema.HEAD)
    )
    copy = create_engine(f"sqlite:///{tmp_path}/book.db.was-{VERSIONS[0]}")
    with copy.connect() as connection:
        assert contents(connection) == before
        assert version(connection) == VERSIONS[0]
    copy.dispose()


def test_a_new_book_and_one_at_its_head_are_not_copied(tmp_path):
    for _ in range(2):
        Book(f"sqlite:///{tmp_path}/book.db").close()
    assert not list(tmp_path.glob("*.was-*"))


def test_where_no_copy_can_be_made_nothing_is_changed(tmp_path):
    url = f"sqlite:///{tmp_path}/book.db"
    engine = open_engine(url)
    at(engine, VERSIONS[2])
    (tmp_path / f"book.db.was-{VERSIONS[2]}.part").mkdir()  # in its way
    with pytest.raises(BookError, match="no copy of the book could be made"):
        Book(url)
    with reading(engine) as connection:
        assert version(connection) == VERSIONS[2]
    engine.dispose()


def test_the_way_back_is_refused_while_somebody_uses_the_book_or_to_where_it_does_not_lead(url, engine):
    Book(url).close()
    for wrong in (schema.HEAD, "tomorrow"):
        with pytest.raises(BookError, match="no version before"):
            downgrade(engine, wrong)
    later = int((dt.datetime.now(dt.UTC) + dt.timedelta(minutes=5)).timestamp() * 1e6)
    with writing(engine) as connection:
        connection.execute(
            text("INSERT INTO holder (id, title, place, pid, until_us) VALUES (1, 'kerfbook run', '{}', 1, :t)"),
            {"t": later},
        )
    with pytest.raises(BookError, match="kerfbook run uses the book: stop it first"):
        downgrade(engine, VERSIONS[0])
    with reading(engine) as connection:
        assert version(connection) == schema.HEAD
        assert inspect(connection).has_table("holder")


def test_the_command_shows_the_versions_and_brings_the_book_back(tmp_path, capsys):
    from dashboard.cli import main  # noqa: PLC0415
    from dashboard.config import template  # noqa: PLC0415

    config = tmp_path / "kerfbook.toml"
    config.write_text(template())
    (tmp_path / "kerfbook-data").mkdir()
    Book(f"sqlite:///{tmp_path}/kerfbook-data/book.sqlite").close()
    assert main(["schema", "--config", str(config)]) == 0
    assert f"-> {schema.HEAD}" in capsys.readouterr().out
    assert main(["schema", "--config", str(config), "--to", "faults"]) == 0
    assert "back to faults" in capsys.readouterr().out
    assert main(["schema", "--config", str(config), "--to", "leases"]) == 1
    assert "no version before" in capsys.readouterr().err
    assert main(["schema", "--config", str(config)]) == 0
    assert "-> faults" in capsys.readouterr().out
    assert Path(tmp_path / "kerfbook-data" / f"book.sqlite.was-{schema.HEAD}").is_file()
