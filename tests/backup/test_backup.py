"""A backup made while a shop is busy, and put back: what was there at its instant, whole or not at all."""

from __future__ import annotations

import json
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
import zipfile
from pathlib import Path

import pytest

from collector.backup.archive import check
from collector.backup.make import make_backup
from collector.backup.manifest import BOOK, MANIFEST, TRACE, BackupError
from collector.backup.restore import restore, settings_in, unfinished
from collector.book import Book, SawEntry
from collector.book.copying import sums
from collector.book.marks import Marks
from collector.facts import SECOND
from collector.ingest import Ingest
from collector.marks import Mark, MarkKind
from collector.trace.sqlite import SqliteTrace
from tests.conftest import missing
from tests.ingest.conftest import T0, motor
from tests.ingest.threshold import ThresholdDetector, derive
from tests.trace.stores import motor as noise
from tests.waiting import until

EVER = (0, 2**62)


def backup(shop, target, **more):
    return make_backup(
        shop.folder / "trace.db", f"sqlite:///{shop.folder}/book.db", target, site="tern-point", program="0", **more
    )


def put_back(archive, folder):
    """Trace and book after a restore, as the next start of the collector leaves them."""
    restore(archive, folder / "trace.db", f"sqlite:///{folder}/book.db")
    trace, book = SqliteTrace(folder / "trace.db"), Book(f"sqlite:///{folder}/book.db")
    return trace, book


def work(seed, pieces=400):
    rng = random.Random(seed)
    return motor([*((rng.choice([4, 9, 31]), rng.choice([0, 3.2, 3.2, 7])) for _ in range(pieces)), (40, 0)])


class Busy(threading.Thread):
    """Takes packs without a pause, some of them late, until it is stopped."""

    def __init__(self, shop, day) -> None:
        super().__init__()
        self.shop, self.stopped, self.groups = shop, threading.Event(), 0
        packs = [day.between(at, at + SECOND) for at in range(day.first, day.last + 1, SECOND)]
        rng = random.Random(5)
        for i in range(0, len(packs) - 600, 7):
            if rng.random() < 0.2:
                packs.insert(i + rng.randrange(2, 500), packs.pop(i))
        self.packs = [pack for pack in packs if len(pack)]
        self.longest = 0.0

    def run(self) -> None:
        for i in range(0, len(self.packs), 3):
            if self.stopped.is_set():
                return
            for pack in self.packs[i : i + 3]:
                self.shop.take(pack)
            begun = time.perf_counter()
            self.shop.ingest.settle()
            self.longest = max(self.longest, time.perf_counter() - begun)
            self.groups += 1


def test_backups_of_a_busy_shop_hold_the_facts_of_their_own_trace_and_what_was_said_before(shop, tmp_path):
    day = work(3, 2000)
    busy = Busy(shop, day)
    busy.start()
    marks = Marks(shop.book)
    archives = []
    try:
        for n in range(4):
            until(lambda n=n: busy.groups > 20 * (n + 1))
            marks.add(Mark("heron", MarkKind.NO_CUT, T0 + n * SECOND, T0 + (n + 1) * SECOND, "operator", T0))
            archives.append((tmp_path / f"{n}.zip", backup(shop, tmp_path / f"{n}.zip")))
        assert busy.is_alive()
    finally:
        busy.stopped.set()
        busy.join()
    everything = shop.trace.read("heron", *EVER)
    sizes = []
    for n, (archive, made) in enumerate(archives):
        trace, book = put_back(archive, tmp_path / f"restored-{n}")
        with trace, book:
            saws = [SawEntry("heron", "Heron"), SawEntry("plover")]
            Ingest(trace, book, saws, None, lambda: T0, make=ThresholdDetector, site="tern-point").catch_up()
            held = trace.read("heron", *EVER)
            assert book.detected("heron", *EVER) == derive("heron", held)
            assert len(Marks(book).of("heron", *EVER)) == n + 1
            assert made.trace["heron"].readings == len(held)
            assert len(held.motor) == len(set(held.motor.t.tolist()) & set(everything.motor.t.tolist()))
            sizes.append(len(held))
    assert sizes == sorted(set(sizes))


def test_the_archive_opens_with_common_tools_and_says_what_is_in_it(shop, tmp_path):
    shop.take(work(1, 40))
    shop.ingest.settle()
    made = backup(shop, tmp_path / "new" / "a.zip", settings=b"[site]\n", left_out=["/etc/kerfbook/broker-password"])
    with zipfile.ZipFile(tmp_path / "new" / "a.zip") as archive:
        assert archive.testzip() is None
        told = json.loads(archive.read(MANIFEST))
        archive.extractall(tmp_path / "out")
    assert told["format"] == "kerfbook backup 1"
    assert told["left_out"] == ["/etc/kerfbook/broker-password"]
    assert told["rows"]["saw"] == 2
    for name, table in ((BOOK, "cut"), (TRACE, "blob")):
        db = sqlite3.connect(f"file:{tmp_path}/out/{name}?mode=ro", uri=True)
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert db.execute(f"SELECT count(*) FROM {table}").fetchone()[0] > 0
        db.close()
    assert settings_in(tmp_path / "new" / "a.zip") == b"[site]\n"
    assert check(tmp_path / "new" / "a.zip") == made
    assert (tmp_path / "new" / "a.zip").stat().st_mode & 0o077 == 0
    assert [path.name for path in (tmp_path / "new").iterdir()] == ["a.zip"]
    with pytest.raises(BackupError, match="is there already"):
        backup(shop, tmp_path / "new" / "a.zip")


def test_a_restored_book_has_every_table_and_the_trace_every_reading(shop, tmp_path):
    day = work(2)
    shop.ingest.absorb("heron", day)
    backup(shop, tmp_path / "a.zip")
    trace, book = put_back(tmp_path / "a.zip", tmp_path / "restored")
    with trace, book:
        assert sums(book) == sums(shop.book)
        assert trace.read("heron", *EVER).same(day)
    assert sorted(path.name for path in tmp_path.iterdir() if "restoring" in path.name) == []


@pytest.mark.parametrize("there", ["trace.db", "book.db", "book.db-wal", "trace.db-wal"])
def test_nothing_is_written_over(shop, tmp_path, there):
    shop.take(work(1, 40))
    shop.ingest.settle()
    backup(shop, tmp_path / "a.zip")
    folder = tmp_path / "restored"
    folder.mkdir()
    (folder / there).write_text("mine")
    with pytest.raises(BackupError, match=f"{there} is there, and nothing is written over"):
        put_back(tmp_path / "a.zip", folder)
    assert [(path.name, path.read_text()) for path in folder.iterdir()] == [(there, "mine")]


def test_a_folder_with_other_files_keeps_them(shop, tmp_path):
    shop.take(work(1, 40))
    shop.ingest.settle()
    backup(shop, tmp_path / "a.zip")
    folder = tmp_path / "restored"
    folder.mkdir()
    (folder / "broker-password").write_text("mine")
    for store in put_back(tmp_path / "a.zip", folder):
        store.close()
    assert sorted(path.name for path in folder.iterdir()) == ["book.db", "broker-password", "trace.db"]


@pytest.mark.parametrize("names", [0, 1])
def test_a_restore_that_died_between_its_files_goes_on_and_is_told_until_then(shop, tmp_path, names):
    day = work(2)
    shop.ingest.absorb("heron", day)
    backup(shop, tmp_path / "a.zip")
    trace, book = tmp_path / "one" / "trace.db", tmp_path / "other" / "book.db"
    url = f"sqlite:///{book}"
    assert unfinished(trace, url) is None
    child = Path(__file__).with_name("dying.py")
    died = subprocess.run([sys.executable, child, tmp_path / "a.zip", trace, url, str(names)], check=False)
    assert died.returncode == -signal.SIGKILL
    assert trace.exists() == (names == 1)
    assert not book.exists()
    assert unfinished(trace, url) == (
        tmp_path / "other" / "book.db.restoring" if names else trace.with_name("trace.db.restoring")
    )
    restore(tmp_path / "a.zip", trace, url)
    assert unfinished(trace, url) is None
    with Book(url) as restored, SqliteTrace(trace) as readings:
        assert sums(restored) == sums(shop.book)
        assert readings.read("heron", *EVER).same(day)


def test_of_two_files_one_that_is_not_the_backups_is_left_alone(shop, tmp_path):
    shop.take(work(1, 40))
    shop.ingest.settle()
    backup(shop, tmp_path / "a.zip")
    trace, book = tmp_path / "one" / "trace.db", tmp_path / "other" / "book.db"
    trace.parent.mkdir()
    with SqliteTrace(trace):
        pass
    with pytest.raises(BackupError, match=r"trace\.db is there, and nothing is written over"):
        restore(tmp_path / "a.zip", trace, f"sqlite:///{book}")
    assert not book.parent.exists()


def test_a_backup_with_one_changed_byte_or_without_its_end_is_refused_and_leaves_nothing(shop, tmp_path):
    shop.take(work(1, 200))
    shop.ingest.settle()
    archive = tmp_path / "a.zip"
    backup(shop, archive)
    whole = archive.read_bytes()
    rng = random.Random(9)
    spoilt = [whole[: int(len(whole) * part)] for part in (0.0, 0.3, 0.999)]
    with zipfile.ZipFile(archive) as opened:
        parts = {info.filename: (info.header_offset, info.compress_size) for info in opened.infolist()}
    for offset, size in parts.values():
        at = offset + 60 + rng.randrange(size - 30)
        spoilt.append(whole[:at] + bytes([whole[at] ^ 0x10]) + whole[at + 1 :])
    for i, data in enumerate(spoilt):
        (tmp_path / f"{i}.zip").write_bytes(data)
        with pytest.raises(BackupError, match=r"take another|none of ours"):
            put_back(tmp_path / f"{i}.zip", tmp_path / "restored")
        assert not (tmp_path / "restored").exists()


def test_a_backup_by_a_newer_program_is_refused_with_the_version_to_install(shop, tmp_path):
    with sqlite3.connect(shop.folder / "book.db") as db:
        db.execute("UPDATE alembic_version SET version_num = 'of_tomorrow'")
    db.close()
    make_backup(
        shop.folder / "trace.db", f"sqlite:///{shop.folder}/book.db", tmp_path / "a.zip", site="x", program="9.1"
    )
    with pytest.raises(BackupError, match=r"Kerfbook 9\.1 made it, and its book has schema version of_tomorrow"):
        put_back(tmp_path / "a.zip", tmp_path / "restored")
    assert not (tmp_path / "restored").exists()


def test_a_damaged_store_makes_no_backup(shop, tmp_path):
    shop.ingest.absorb("heron", work(2))
    shop.close()
    file = shop.folder / "trace.db"
    data = bytearray(file.read_bytes())
    for at in range(3 * 4096, len(data), 4096):
        data[at : at + 64] = bytes(64)
    file.write_bytes(data)
    with pytest.raises(BackupError, match=r"trace\.sqlite is damaged where it is kept"):
        backup(shop, tmp_path / "b" / "a.zip")
    assert list((tmp_path / "b").iterdir()) == []


def fill(shop, readings):
    """Readings that cannot be packed into little."""
    shop.trace.write("heron", noise(T0, readings))
    shop.trace.commit()


def child(folder, target, *more, before=()):
    command = [*before, sys.executable, "-m", "tests.backup.child", str(folder), str(target), *more]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


@pytest.mark.real
def test_kill_nine_at_any_moment_leaves_a_whole_backup_or_none_and_the_next_one_clears_up(shop, tmp_path):
    fill(shop, 2_000_000)
    begun = time.perf_counter()
    backup(shop, tmp_path / "b" / "whole.zip")
    takes = time.perf_counter() - begun
    rng, made = random.Random(1), 0
    for n in range(4):
        target = tmp_path / "b" / f"{n}.zip"
        victim = child(shop.folder, target)
        assert victim.stdout.readline() == "begins\n"
        time.sleep(takes * (n / 4 + rng.uniform(0.0, 0.1)))
        victim.kill()
        victim.communicate()
        if target.exists():
            check(target)
            made += 1
    assert made < 4
    last = child(shop.folder, tmp_path / "b" / "last.zip")
    assert "made" in last.communicate(timeout=120)[0]
    assert last.returncode == 0
    assert check(tmp_path / "b" / "last.zip").trace["heron"].readings == shop.trace.stored("heron")
    assert all(path.suffix == ".zip" for path in (tmp_path / "b").iterdir())


@pytest.mark.real
@pytest.mark.parametrize(
    ("more", "told"), [((), "a backup needs up to"), (("--blind",), "the disk is full, and nothing")]
)
def test_a_full_disk_is_told_and_nothing_is_left_on_it(shop, tmp_path, more, told):
    if not shutil.which("unshare") or subprocess.run(["unshare", "-rm", "true"], check=False).returncode:
        missing("this system lets nobody mount a small disk")
    fill(shop, 800_000)
    small = tmp_path / "small"
    small.mkdir()
    mount = f'mount -t tmpfs -o size=500k none {small} && "$@"; code=$?; ls -A {small}; exit $code'
    done = child(shop.folder, small / "a.zip", *more, before=("unshare", "-rm", "sh", "-c", mount, "sh"))
    out, err = done.communicate(timeout=120)
    assert done.returncode == 1, (out, err)
    assert told in err
    assert "free some space" in err
    assert ".zip" not in out
    assert ".kerfbook" not in out
