"""A workshop that kept the very first version for years starts today's program, works with it, goes back, and comes again."""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import MetaData, text

from collector.book import schema
from collector.book.engine import open_engine, reading, writing
from collector.book.rows import to_row
from collector.book.upgrade import version, versions
from collector.detect.detector import derive
from collector.facts import SECOND, Cut
from collector.signals import Series, Trace, merge
from collector.trace.sqlite import SqliteTrace
from dashboard.cli import main
from tests.book.test_versions import at
from tests.dashboard.running import box_of
from tests.faults.scene import SAWS, Scene, work
from tests.ingest.publisher import Publisher
from tests.operations import secrets
from tests.tongues.test_screens import WHERE

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.real

FIRST = versions()[0][0]
DAY_S = 86_400
PASSWORD = "three dusty sparrows"
TABLES = ("run", "cut", "door_visit", "gap", "refusal", "refusal_count", "receipt", "saw", "box")
"""In which nothing may be missing; where the derivation stands and how the saw is now moves on."""

TITLES = {"heron": "Heron, by the door", "plover": "Plover", "kite": "Kite, sold"}


def work_of(saw: str) -> Trace:
    """Three days in the past, at the end of each somebody at the blade."""
    return merge([opened_at_the_end(work(2, seed=len(saw) + day, ago_s=day * DAY_S)) for day in (3, 2, 1)])


def opened_at_the_end(day: Trace) -> Trace:
    opened, closed = day.last - 20 * SECOND, day.last - 9 * SECOND
    said = dict(zip(day.door.t.tolist(), day.door.v.tolist(), strict=True)) | {opened: 0, closed: 1}
    said |= {at: 0 for at in said if opened < at < closed}
    return replace(day, door=Series.of(sorted(said), [said[at] for at in sorted(said)]))


def left_by_the_first_version(folder: Path) -> dict[str, Trace]:
    """Book and trace as that version wrote them; returns what the boxes had said."""
    folder.mkdir()
    said = {saw: work_of(saw) for saw in SAWS}
    with SqliteTrace(folder / "trace.sqlite") as trace:
        for saw, readings in said.items():
            trace.write(saw, readings)
        trace.commit()
    with closing(sqlite3.connect(folder / "trace.sqlite")) as file:
        file.executescript("DROP TABLE minute; DROP TABLE aged; PRAGMA user_version = 1")  # all that it has since
    engine = open_engine(f"sqlite:///{folder / 'book.sqlite'}")
    at(engine, FIRST)
    with writing(engine) as connection:
        was = MetaData()
        was.reflect(connection)

        def add(table: str, **values: object) -> None:
            connection.execute(was.tables[table].insert().values(**values))

        for key, (name, title) in enumerate(TITLES.items(), 1):
            add("saw", id=key, name=name, title=title, revision=key)
            add("box", saw_id=key, urn=box_of(name), online=True, since_us=1_700_000_000 * SECOND)
            readings = said.get(name)
            if readings is None:  # sold before anything was heard of it
                add("checkpoint", saw_id=key)
                add("now", saw_id=key)
                continue
            add("checkpoint", saw_id=key, consumed_us=readings.last, state=b"a detector of long ago")
            add("now", saw_id=key, at_us=readings.last, state="STANDBY", since_us=readings.last, amps_ma=0)
            for fact in derive(name, readings):
                add(fact.kind, **to_row(key, fact))
            add("receipt", saw_id=key, mid=7, digest=bytes(16), received_us=readings.last)
        at_us = said["heron"].first
        refused = {
            "topic": "kerfbook/tern-point/ibis/readings",
            "code": "unknown-saw",
            "reason": "there is no such saw",
        }
        add("refusal", **refused, first_us=at_us, last_us=at_us + SECOND, occurrences=3, excerpt=b"[{")
        add("refusal_count", saw="", code="unknown-saw", count=3)
        connection.execute(text("UPDATE revision SET value = 3"))
    engine.dispose()
    return said


def rows(folder: Path) -> dict[str, set[tuple[Any, ...]]]:
    """What is in the book's first tables, in the columns of the first version."""
    engine = open_engine(f"sqlite:///{folder / 'book.sqlite'}")
    with reading(engine) as connection:
        found: dict[str, set[tuple[Any, ...]]] = {}
        for name in TABLES:
            query = text(f"SELECT {COLUMNS.get(name, '*')} FROM {name}")
            found[name] = {tuple(row) for row in connection.execute(query)}
    engine.dispose()
    return found


COLUMNS = {"saw": "id, name", "box": "saw_id, urn"}
"""Whole rows of the others."""


def schema_of(folder: Path) -> str | None:
    engine = open_engine(f"sqlite:///{folder / 'book.sqlite'}")
    with reading(engine) as connection:
        found = version(connection)
    engine.dispose()
    return found


def every_page_opens(address: str) -> None:
    owner = secrets.Browser(address)
    assert owner.ask("/api/v1/sign-in", {"name": "Ana", "password": PASSWORD})[0] == 200
    said = {"tag": "TP-01", "who": "Ana"}
    assert owner.ask("/api/v1/blades", said)[0] == 201  # what the first version did not know
    assert {path: owner.ask(path)[0] for path in WHERE} == dict.fromkeys(WHERE, 200)


def test_the_first_version_to_todays_and_back_and_up_again_without_a_row_missing(tmp_path, mosquitto, capsys):
    folder = tmp_path / "kerfbook-data"
    said = left_by_the_first_version(folder)
    first = rows(folder)
    assert all(first.values())
    assert len(first["cut"]) == 2 * 3 * 2 * 4
    scene = Scene(tmp_path, mosquitto)
    scene.said = {saw: [readings] for saw, readings in said.items()}
    url = f"sqlite:///{folder / 'book.sqlite'}"

    with scene.house, Publisher(mosquitto) as box:
        assert schema_of(folder) == schema.HEAD
        scene.house.token = secrets.make(url, PASSWORD)
        every_page_opens(scene.house.address)
        scene.met()
        box.publish([*scene.say("heron", work(2, ago_s=60)), *scene.say("plover", work(2, seed=2, ago_s=60))])
        scene.all_is_well()  # facts of then and of today as one derivation of all that was ever said
        met = rows(folder)
        assert all(first[name] <= met[name] for name in TABLES)
        assert len(met["cut"]) == len(first["cut"]) + 16

    toml = str(tmp_path / "kerfbook.toml")
    assert main(["schema", "--config", toml, "--to", FIRST]) == 0
    assert f"back to {FIRST}" in capsys.readouterr().out
    assert schema_of(folder) == FIRST
    assert rows(folder) == met
    with SqliteTrace(folder / "trace.sqlite", readonly=True) as trace:
        assert all(trace.read(saw, 0, 2**62).same(merge(parts)) for saw, parts in scene.said.items())

    with scene.house:
        assert schema_of(folder) == schema.HEAD
        secrets.make(url, PASSWORD)  # accounts had no place in the first version
        every_page_opens(scene.house.address)
        scene.all_is_well()
        again = rows(folder)
        assert all(met[name] <= again[name] for name in TABLES)
    with scene.book() as book:
        cuts = [f for saw in SAWS for f in book.facts(saw, 0, round(time.time()) * SECOND) if isinstance(f, Cut)]
    assert len(cuts) == len(met["cut"])
