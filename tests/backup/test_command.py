"""`kerfbook backup` and `kerfbook restore`: beside a real `kerfbook run` under load, nightly, and with servers."""

from __future__ import annotations

import datetime as dt
import re
import threading
import time

import pytest

from collector.backup.archive import check
from collector.backup.kept import kept, name_of, rotate
from collector.book import Book, SawEntry
from collector.book.copying import sums
from collector.detect.detector import Detector
from collector.detect.settings import DetectSettings
from collector.facts import SECOND, as_record
from collector.ingest import Ingest
from collector.replay import replay
from collector.trace.sqlite import SqliteTrace
from collector.wire.pack import write_pack
from dashboard.cli import main
from dashboard.commands import codes
from dashboard.commands.doctor import examine
from dashboard.config import load
from tests.configuration import one_saw
from tests.dashboard.running import Running, messages, payload, work
from tests.ingest.conftest import BOX
from tests.ingest.publisher import Publisher
from tests.waiting import until

EVER = (0, 2**62)


@pytest.fixture
def shop(tmp_path):
    """A folder as `kerfbook run` would leave it; its trace and the facts in it."""
    (tmp_path / "kerfbook.toml").write_text(one_saw('folder = "old"'))
    (tmp_path / "old").mkdir()
    day = messages("heron", work(6))
    book = Book(f"sqlite:///{tmp_path}/old/book.sqlite")
    with book, SqliteTrace(tmp_path / "old" / "trace.sqlite") as trace:
        ingest = Ingest(trace, book, [SawEntry("heron")], DetectSettings(), lambda: day[-1].trace.last, make=Detector)
        for message in day:
            ingest.absorb("heron", message.trace)
    return tmp_path


def said(capsys) -> str:
    return capsys.readouterr().out


def archive_of(text: str) -> str:
    return re.search(r"^(\S+\.zip): ", text, re.M)[1]


def test_a_backup_in_an_empty_folder_brings_settings_and_stores(shop, tmp_path, monkeypatch, capsys):
    assert main(["backup", "--config", str(shop / "kerfbook.toml")]) == codes.DONE
    archive = archive_of(said(capsys))
    assert archive.startswith(str(shop / "kerfbook-backups" / "kerfbook-tern-point-"))
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    monkeypatch.chdir(elsewhere)
    assert main(["restore", archive, "--check"]) == codes.DONE
    assert list(elsewhere.iterdir()) == []
    assert main(["restore", archive]) == codes.DONE
    assert "restored tern-point as it was at 20" in said(capsys)
    assert (elsewhere / "kerfbook.toml").read_text() == (shop / "kerfbook.toml").read_text()
    with Book(f"sqlite:///{shop}/old/book.sqlite") as old, Book(f"sqlite:///{elsewhere}/old/book.sqlite") as new:
        assert sums(new) == sums(old)
    assert main(["restore", archive]) == codes.FLAWED
    assert "nothing is written over" in capsys.readouterr().err


def test_only_the_newest_so_many_of_this_site_are_kept(tmp_path):
    at = dt.datetime(2026, 3, 1, 3, 15, tzinfo=dt.UTC)
    names = [name_of("heron-hall", at + dt.timedelta(days=n)) for n in range(5)]
    others = [name_of("elsewhere", at), "kerfbook-heron-hall-20260301.zip", "holiday.zip"]
    for name in (*names, *others):
        (tmp_path / name).touch()
    assert [path.name for path in rotate(tmp_path, "heron-hall", 2)] == names[:3]
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([*names[3:], *others])
    assert kept(tmp_path, "heron-hall")[-1][0] == at + dt.timedelta(days=4)
    assert kept(tmp_path / "nowhere", "heron-hall") == []


def test_the_doctor_misses_a_backup_and_an_old_one(shop, capsys):
    settings, now = load(shop / "kerfbook.toml"), time.time()
    findings = {f.subject: f for f in examine(settings, now)}
    assert "run `kerfbook backup` every night" in findings["backup"].advice
    assert main(["backup", "--config", str(shop / "kerfbook.toml"), "--keep", "3"]) == codes.DONE
    assert {f.subject: f for f in examine(settings, now)}["backup"].advice == ""
    later = {f.subject: f for f in examine(settings, now + 3 * 86400)}["backup"]
    assert "3.0 days old, of 1 kept" in later.seen
    assert "was not run or failed" in later.advice


@pytest.mark.real
def test_beside_a_running_kerfbook_under_load(tmp_path, mosquitto, capsys):
    flow = messages("heron", work(30, cut_s=1.5, pause_s=1.5))
    box_stops = threading.Event()
    with Running(tmp_path, mosquitto, ["heron"]) as house, Publisher(mosquitto) as box:
        house.hear(box, [(flow[0].topic, payload(flow[0], time.time() - 3000))])
        began = time.time() - 2900

        def load_on() -> None:
            for message in flow:
                if box_stops.is_set():
                    return
                box.publish([(message.topic, payload(message, began))])
                time.sleep(0.01)

        boxing = threading.Thread(target=load_on)
        boxing.start()
        archives = []
        try:
            for _ in range(3):
                until(lambda: house.get("/api/v1/wall")["saws"][0]["last_reading"])
                where = tmp_path / "kept" / f"{len(archives)}.zip"
                assert main(["backup", "--config", str(tmp_path / "kerfbook.toml"), "--to", str(where)]) == codes.DONE
                archives.append(where)
        finally:
            box_stops.set()
            boxing.join()
    (data,) = [path for path in tmp_path.iterdir() if (path / "trace.sqlite").exists()]
    with SqliteTrace(data / "trace.sqlite", readonly=True) as trace:
        everything = trace.read("heron", *EVER)
    sizes = []
    for n, archive in enumerate(archives):
        other = tmp_path / f"other-{n}"
        other.mkdir()
        (other / "kerfbook.toml").write_text(one_saw('folder = "data"'))
        assert main(["restore", str(archive), "--config", str(other / "kerfbook.toml")]) == codes.DONE
        with Book(f"sqlite:///{other}/data/book.sqlite") as book, SqliteTrace(other / "data" / "trace.sqlite") as trace:
            held = trace.read("heron", *EVER)
            assert held.same(everything.between(0, held.last + 1))
            Ingest(trace, book, [SawEntry("heron")], DetectSettings(), lambda: 0, make=Detector).catch_up()
            packs = [write_pack(BOX, part) for part in in_seconds(held)]
            assert [as_record(fact) for fact in book.facts("heron", *EVER)] == list(replay(packs, "heron"))
            sizes.append(len(held))
    assert sizes == sorted(sizes)
    assert sizes[0] > 0


def in_seconds(trace):
    parts = (trace.between(at, at + 60 * SECOND) for at in range(trace.first, trace.last + 1, 60 * SECOND))
    return [part for part in parts if len(part)]


@pytest.mark.real
def test_from_servers_into_files_and_back_into_other_servers(shop, tmp_path, influx, postgres, capsys):
    for name in ("fleet", "second"):
        trace = f'trace = "{influx.url}/{name}/raw"\ntrace_days = 0\nbook = "{postgres.book()}"\n'
        (shop / f"{name}.toml").write_text(one_saw(f'folder = "{name}"\n{trace}'))
    config, fleet, second = (str(shop / f"{name}.toml") for name in ("kerfbook", "fleet", "second"))
    assert main(["copy", "--config", config, "--to", fleet]) == codes.DONE
    told = {finding.subject: finding for finding in examine(load(shop / "fleet.toml"), time.time())}["trace"]
    assert re.search(
        r"InfluxDB 1\.\S+; takes readings in \d+ ms; answers InfluxQL in \d+ ms; readings kept:", told.seen
    )
    assert (told.advice, "can take a fact back" in told.seen) == ("", True)
    assert main(["backup", "--config", fleet, "--to", str(tmp_path / "a.zip")]) == codes.DONE
    assert main(["backup", "--config", config, "--to", str(tmp_path / "b.zip")]) == codes.DONE
    a, b = check(tmp_path / "a.zip"), check(tmp_path / "b.zip")
    assert (a.trace, a.rows) == (b.trace, b.rows)
    assert main(["restore", str(tmp_path / "a.zip"), "--config", second]) == codes.DONE
    assert main(["copy", "--config", fleet, "--to", second]) == codes.DONE
    assert "0 of them newly written; the book was the same already" in said(capsys)
    assert main(["restore", str(tmp_path / "b.zip"), "--config", second]) == codes.FLAWED
    assert "the book's database is in use, and nothing is written over" in capsys.readouterr().err


def test_nothing_starts_on_a_restore_that_has_not_come_to_its_end(shop, capsys):
    config = str(shop / "kerfbook.toml")
    assert main(["backup", "--config", config]) == codes.DONE
    archive = archive_of(said(capsys))
    (shop / "old" / "book.sqlite").rename(shop / "old" / "book.sqlite.restoring")
    for command in ("run", "collect", "serve"):
        assert main([command, "--config", config]) == codes.FLAWED
        assert "a restore has not come to its end" in capsys.readouterr().err
    assert not (shop / "old" / "book.sqlite").exists()
    found = [finding for finding in examine(load(shop / "kerfbook.toml"), time.time()) if finding.subject == "restore"]
    assert "again with the same backup" in found[0].advice
    (shop / "old" / "trace.sqlite").unlink()
    assert main(["restore", archive, "--config", config]) == codes.DONE
    assert [path.name for path in (shop / "old").iterdir() if "restoring" in path.name] == []


def test_a_backup_whose_password_files_are_not_there_yet_says_what_is_wanted_and_writes_nothing(shop, capsys):
    config = shop / "kerfbook.toml"
    (shop / "secret").write_text("three dusty sparrows")
    config.write_text(
        config.read_text() + '[broker]\nhost = "127.0.0.1"\nusername = "kerfbook"\npassword_file = "secret"\n'
    )
    assert main(["backup", "--config", str(config), "--to", str(shop / "kept.zip")]) == codes.DONE
    new = shop / "new"
    new.mkdir()
    command = ["restore", str(shop / "kept.zip"), "--config", str(new / "kerfbook.toml")]
    assert main(command) == codes.MISUSED
    told = capsys.readouterr().err
    assert f"there is no file {new / 'secret'}" in told
    assert "put them there, then restore again. Nothing was written" in told
    assert list(new.iterdir()) == []
    (new / "secret").write_text("three dusty sparrows")
    assert main(command) == codes.DONE
