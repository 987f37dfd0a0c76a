"""`kerfbook copy` into a real InfluxDB and a real PostgreSQL, killed on its way and begun again."""

from __future__ import annotations

import subprocess

import numpy as np
import pytest

from collector.book import Book, SawEntry
from collector.book.copying import sums
from collector.detect.detector import Detector
from collector.detect.settings import DetectSettings
from collector.ingest import Ingest
from collector.trace.influx import InfluxTrace
from collector.trace.slices import DAY_US
from collector.trace.sqlite import SqliteTrace
from collector.trace.thinning import Ages, Thinner
from dashboard.commands import codes
from tests.configuration import one_saw
from tests.dashboard.running import COMMAND, work
from tests.dashboard.test_copy import SAW
from tests.detect.build import START
from tests.trace.stores import motor
from tests.waiting import until

pytestmark = pytest.mark.real
ALWAYS = (0, 2**60)


@pytest.fixture
def shop(tmp_path):
    """A week of readings, the first two days aged, and facts of the last."""
    (tmp_path / "old").mkdir()
    (tmp_path / "kerfbook.toml").write_text(one_saw('folder = "old"'))
    with Book(f"sqlite:///{tmp_path}/old/book.sqlite") as book, SqliteTrace(tmp_path / "old" / "trace.sqlite") as trace:
        for day in range(-6, 0):
            trace.write(SAW, motor(START + day * DAY_US, 40_000, seed=-day))
        trace.commit()
        Thinner(trace, Ages(4, 0), clock=lambda: START // DAY_US * DAY_US).round()
        ingest = Ingest(trace, book, [SawEntry(SAW)], DetectSettings(), lambda: START, make=Detector)
        ingest.absorb(SAW, work(20))
    return tmp_path


def copying(shop):
    command = [*COMMAND, "copy", "--config", str(shop / "kerfbook.toml"), "--to", str(shop / "fleet.toml")]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def test_a_copy_killed_twice_is_whole_after_the_third(shop, influx, postgres):
    url = postgres.book()
    stores = f'trace = "{influx.url}/kerfbook/raw"\ntrace_days = 0\nminute_days = 0\nbook = "{url}"\n'
    (shop / "fleet.toml").write_text(one_saw(stores))
    first = copying(shop)
    until(lambda: influx.requests > 10 or first.poll() is not None)
    assert first.poll() is None, first.communicate()
    first.kill()
    first.communicate()
    with Book(url) as new:
        assert new.saws() == []
    second = copying(shop)
    assert second.stdout.readline().startswith(f"trace of {SAW}: ")  # the book comes next
    second.kill()
    second.communicate()
    third = copying(shop)
    out, err = third.communicate(timeout=120)
    assert third.returncode == codes.DONE, err
    with (
        Book(f"sqlite:///{shop}/old/book.sqlite") as old,
        Book(url) as new,
        SqliteTrace(shop / "old" / "trace.sqlite", readonly=True) as trace,
        InfluxTrace(influx.url, "kerfbook/raw", days=0, minute_days=0) as copied,
    ):
        assert sums(new) == sums(old)
        assert len(new.facts(SAW, *ALWAYS, ["cut"])) >= 20
        held = trace.read(SAW, *ALWAYS)
        assert f"{len(held)} readings are the same in both, 0 of them newly written" in out
        assert copied.read(SAW, *ALWAYS).same(held)
        assert copied.complete_from(SAW) == trace.complete_from(SAW) > 0
        a, b = copied.minutes(SAW, *ALWAYS), trace.minutes(SAW, *ALWAYS)
        assert a.keys() == b.keys()
        assert all(a[signal].same(b[signal]) for signal in a)
        assert np.array_equal(
            copied.slices(SAW, START, START + DAY_US, DAY_US).count, [len(held.between(START, START + DAY_US).motor)]
        )
