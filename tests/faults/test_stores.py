"""The stores fail while `kerfbook run` works: what was acknowledged is there, the rest waits, people are told, it goes on."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest

from collector.trace.mend import mend_trace
from collector.trace.sqlite import SqliteTrace
from tests.conftest import Mosquitto
from tests.dashboard.running import COMMAND
from tests.faults.places import fill, no_room, read_only, small_disk
from tests.faults.read_only import Disk
from tests.faults.scene import SAWS, Scene, work
from tests.ingest.publisher import Publisher
from tests.waiting import until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.real


def send(scene: Scene, saw: str, trace) -> None:
    with Publisher(scene.broker) as box:
        box.publish(scene.say(saw, trace))


def test_a_store_that_another_process_holds_locked_is_waited_for(tmp_path, mosquitto):
    scene = Scene(tmp_path, mosquitto)
    with scene.house:
        scene.met()
        for name in ("trace.sqlite", "book.sqlite"):
            with sqlite3.connect(scene.stores / name, isolation_level=None) as other:
                other.execute("BEGIN IMMEDIATE")
                send(scene, "heron", work(2, ago_s=900 if name == "trace.sqlite" else 30))
                time.sleep(1)
                other.execute("ROLLBACK")
            other.close()
        scene.all_is_well()


def test_a_store_locked_for_longer_than_anybody_waits_is_told_nothing_is_lost_and_screens_go_on(tmp_path, mosquitto):
    def harm(name: str, scene: Scene) -> None:
        with scene.house:
            scene.met()
            send(scene, "heron", work(2, ago_s=600))
            scene.settled()
            assert scene.house.ill() == {}
            with locked(scene.stores / f"{name}.sqlite"):
                send(scene, "heron", work(2, ago_s=30))
                assert "Error" in until(scene.house.ill)["stores"]
                assert {saw["saw"] for saw in scene.house.get("/api/v1/wall")["saws"]} == set(SAWS)
            until(lambda: not scene.house.ill())
            scene.all_is_well()
            assert "lock" in scene.told("stores-failing").detail["said"]

    (elsewhere := tmp_path / "elsewhere").mkdir()
    other = Mosquitto(elsewhere)
    other.start()
    scenes = {"trace": Scene(tmp_path, mosquitto), "book": Scene(elsewhere, other)}
    try:
        with ThreadPoolExecutor() as side_by_side:  # both wait, most of the time
            for done in [side_by_side.submit(harm, *one) for one in scenes.items()]:
                done.result()
    finally:
        other.stop()


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """The database, locked as a copying or repairing program would that takes its time."""
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    try:
        yield
    finally:
        other.execute("ROLLBACK")
        other.close()


def test_a_full_disk_stops_nothing_for_good(tmp_path, mosquitto):
    with small_disk(tmp_path / "kerfbook-data", 24), (scene := Scene(tmp_path, mosquitto)).house:
        scene.met()
        send(scene, "heron", work(2, ago_s=900))
        scene.settled()
        ballast = fill(scene.stores)
        send(scene, "heron", work(3, ago_s=300))
        send(scene, "plover", work(3, ago_s=300, seed=2))
        time.sleep(2)
        assert scene.verdict("heron").lost
        ballast.unlink()
        scene.all_is_well()
        assert "full" in scene.told("stores-failing").detail["said"]


def test_a_disk_that_takes_no_writes_any_more_stops_nothing_for_good(tmp_path, mosquitto):
    scene = Scene(tmp_path, mosquitto)
    with scene.house:
        scene.met()
        send(scene, "heron", work(2, ago_s=900))
        scene.settled()
        with no_room(scene.house.pid):
            send(scene, "heron", work(3, ago_s=300))
            time.sleep(2)
            assert scene.verdict("heron").lost
        scene.all_is_well()
        scene.told("stores-failing")


@pytest.mark.parametrize("name", ["book", ""])
def test_a_disk_that_becomes_read_only_while_it_is_written_is_named_nothing_is_lost_and_it_goes_on_by_itself(
    tmp_path, mosquitto, name
):
    """Of both stores, where the trace fails first, or of the book alone, as where it has a disk of its own."""
    stores = tmp_path / "kerfbook-data"
    disk = Disk(tmp_path, stores / f"{name}.sqlite" if name else stores)
    scene = Scene(tmp_path, mosquitto, env=disk.env)
    with scene.house:
        scene.met()
        send(scene, "heron", work(2, ago_s=600))
        scene.settled()
        with disk.read_only():
            send(scene, "heron", work(3, ago_s=30))
            send(scene, "plover", work(3, ago_s=30, seed=2))
            ill = until(lambda: (ill := scene.house.ill()) and "stores" in ill and ill)
            assert ("disk" in ill) == (not name)
            assert name or ill["disk"] == "The disk of the stores is read-only."
            assert scene.verdict("heron").wrong
            assert scene.verdict("heron").lost or name == "book"
            assert {saw["saw"] for saw in scene.house.get("/api/v1/wall")["saws"]} == set(SAWS)
        scene.all_is_well()
        scene.told("stores-failing")
        until(lambda: not scene.house.ill())


def test_a_read_only_disk_is_named_at_the_start_and_a_start_on_a_writable_one_has_everything(tmp_path, mosquitto):
    scene = Scene(tmp_path, mosquitto)
    with scene.house:
        scene.met()
        send(scene, "heron", work(2, ago_s=600))
        scene.settled()
    with read_only(scene.stores):
        send(scene, "heron", work(2))
        start = subprocess.run(
            [*COMMAND, "run", "--config", tmp_path / "kerfbook.toml"], capture_output=True, text=True, check=False
        )
        assert start.returncode == 1
        assert str(scene.stores) in start.stderr
        assert "written" in start.stderr
    with scene.house:
        scene.all_is_well()


def test_a_trace_torn_while_it_is_written_is_mended_and_only_what_stood_there_is_missing(tmp_path, mosquitto):
    scene = Scene(tmp_path, mosquitto)
    with scene.house:
        scene.met()
        send(scene, "heron", work(12, ago_s=2400))
        send(scene, "plover", work(12, ago_s=2400, seed=2))
        scene.settled()
        before = {saw: scene.verdict(saw) for saw in scene.said}
        damage(scene)
        send(scene, "heron", work(12, ago_s=100))
        send(scene, "plover", work(12, ago_s=100, seed=2))
        scene.told("store-torn", seconds=90)
        scene.settled()
        for saw, verdict in before.items():
            assert verdict.well
            now = scene.verdict(saw)
            assert 0 < now.lost < verdict.readings
            assert (now.doubled, now.wrong) == (0, 0)
        assert list(scene.stores.glob("trace.sqlite.torn-*Z"))


def damage(scene: Scene) -> None:
    """Every newest blob of the motor's current loses some bytes, as on a memory card that forgets."""
    with sqlite3.connect(scene.stores / "trace.sqlite") as db:
        rows = db.execute("SELECT max(id), data FROM blob WHERE signal = 'motor' GROUP BY saw").fetchall()
        assert rows
        for key, data in rows:
            torn = bytearray(data)
            torn[60:90] = random.Random(1).randbytes(30)
            db.execute("UPDATE blob SET data = ? WHERE id = ?", (bytes(torn), key))
    db.close()


def test_a_book_torn_while_the_collector_runs_is_mended_without_hands(tmp_path, mosquitto):
    scene = Scene(tmp_path, mosquitto)
    with scene.house:
        scene.met()
        send(scene, "heron", work(12, ago_s=900))
        scene.settled()
        book = scene.stores / "book.sqlite"
        with sqlite3.connect(book) as db:
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            size = db.execute("PRAGMA page_size").fetchone()[0]
            pages = db.execute("SELECT pageno FROM dbstat WHERE name IN ('cut', 'run', 'now')").fetchall()
        db.close()
        with book.open("r+b") as file:
            for (page,) in pages:
                file.seek((page - 1) * size)
                file.write(random.Random(page).randbytes(size))
        send(scene, "heron", work(4, ago_s=30))
        scene.told("store-torn", seconds=90)
        scene.all_is_well()


def test_a_trace_that_is_whole_is_left_alone_and_torn_pages_cost_only_their_rows(tmp_path):
    path = tmp_path / "trace.sqlite"
    day = work(60)
    with SqliteTrace(path) as trace:
        for at in range(day.first, day.last + 1, 60_000_000):
            trace.write("heron", day.between(at, at + 60_000_000))
            trace.commit()
        kept = trace.read("heron", 0, 2**62)
    assert mend_trace(path) is None
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        size = db.execute("PRAGMA page_size").fetchone()[0]
        pages = [n for (n,) in db.execute("SELECT pageno FROM dbstat WHERE name = 'blob' ORDER BY pageno")]
    db.close()
    with path.open("r+b") as file:
        file.seek((pages[len(pages) // 2] - 1) * size)
        file.write(random.Random(1).randbytes(size))
    mended = mend_trace(path)
    assert mended is not None
    assert mended.aside.exists()
    with SqliteTrace(path) as trace:
        left = trace.read("heron", 0, 2**62)
        assert 0 < len(left) < len(kept)
        trace.write("heron", day)
        trace.commit()
        assert trace.read("heron", 0, 2**62).same(day)
