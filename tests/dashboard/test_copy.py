"""``kerfbook copy``: everything arrives, again is harmless, and nothing foreign is written over."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from collector.book import Book, SawCommit, SawEntry
from collector.book.copying import sums
from collector.detect.detector import Detector
from collector.detect.settings import DetectSettings
from collector.ingest import Ingest
from collector.signals import Series, Trace
from collector.trace.sqlite import SqliteTrace
from dashboard.cli import main
from dashboard.commands import codes
from simulator.shop import Saw, simulate_day
from tests.configuration import one_saw

SAW = "heron"
ALWAYS = (0, 2**60)


@pytest.fixture(scope="module")
def day():
    return simulate_day(Saw(SAW), dt.date(2026, 3, 2), seed=3).trace


@pytest.fixture
def shop(tmp_path, day):
    """A folder as `kerfbook run` would leave it."""
    (tmp_path / "kerfbook.toml").write_text(one_saw('folder = "old"'))
    (tmp_path / "old").mkdir()
    book = Book(f"sqlite:///{tmp_path}/old/book.sqlite")
    with book, SqliteTrace(tmp_path / "old" / "trace.sqlite") as trace:
        ingest = Ingest(trace, book, [SawEntry(SAW)], DetectSettings(), lambda: day.last, make=Detector)
        ingest.absorb(SAW, day)
    return tmp_path


@pytest.fixture
def fleet(shop, book_url):
    (shop / "fleet.toml").write_text(one_saw(f'folder = "new"\nbook = "{book_url}"'))
    return ["copy", "--config", str(shop / "kerfbook.toml"), "--to", str(shop / "fleet.toml")]


def test_readings_and_facts_are_the_same_in_the_new_stores_and_copying_again_writes_nothing(
    shop, fleet, book_url, day, capsys
):
    assert main(fleet) == codes.DONE
    assert f"{len(day)} readings are the same in both, {len(day)} of them newly written" in capsys.readouterr().out
    with Book(f"sqlite:///{shop}/old/book.sqlite") as old, Book(book_url) as new:
        assert sums(new) == sums(old)
        assert new.facts(SAW, *ALWAYS) == old.facts(SAW, *ALWAYS)
        assert len(new.facts(SAW, *ALWAYS, ["cut"])) > 10
    with SqliteTrace(shop / "new" / "trace.sqlite", readonly=True) as trace:
        assert all(
            np.array_equal(a.t, b.t) and np.array_equal(a.v, b.v)
            for a, b in zip(trace.read(SAW, *ALWAYS).series(), day.series(), strict=True)
        )
    assert main(fleet) == codes.DONE
    assert "0 of them newly written; the book was the same already" in capsys.readouterr().out


def test_a_copy_that_was_broken_off_goes_on(shop, fleet, day, capsys):
    (shop / "new").mkdir()
    with SqliteTrace(shop / "new" / "trace.sqlite") as trace:
        trace.write(SAW, day.between(day.first, day.first + 3_600_000_000))
        trace.commit()
    assert main(fleet) == codes.DONE
    assert f"{len(day)} readings are the same in both" in capsys.readouterr().out


def test_other_readings_or_another_book_in_the_new_stores_are_told_and_left_alone(shop, fleet, book_url, day, capsys):
    with Book(book_url) as book:
        book.open_saws([SawEntry("stranger")])
        book.commit([SawCommit("stranger", 0, None, [])])
        before = sums(book)
        assert main(fleet) == codes.FLAWED
        assert "is in use and holds something else" in capsys.readouterr().err
        assert sums(book) == before
    motor = day.motor
    odd = Series(motor.t[:1] + 1, motor.v[:1])
    with SqliteTrace(shop / "new" / "trace.sqlite") as trace:
        trace.write(SAW, Trace(odd, *Trace.empty().series()[1:]))
        trace.commit()
    assert main(fleet) == codes.FLAWED
    assert "saw heron: the store to copy into holds other readings" in capsys.readouterr().err


def test_copying_stores_onto_themselves_is_refused(shop, capsys):
    config = str(shop / "kerfbook.toml")
    assert main(["copy", "--config", config, "--to", config]) == codes.MISUSED
    assert "itself" in capsys.readouterr().err
