"""A collector that is given up leaves its session at the broker: `kerfbook doctor` tells, and what it advises helps."""

from __future__ import annotations

import re
import shlex
import signal
import subprocess
from typing import TYPE_CHECKING

import pytest
from sqlalchemy import select

from collector.book import Book
from collector.book.leases import lease
from dashboard.cli import main
from tests.conftest import need
from tests.fleet.collecting import Collecting, booked, expected, packs
from tests.ingest.publisher import Publisher
from tests.waiting import until

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.real


def about_collectors(config: Path, capsys) -> str:
    """What doctor says of collectors."""
    main(["doctor", "--config", str(config)])
    return "\n".join(re.findall(r"^.* collector .*\n {10}.*$", capsys.readouterr().out, re.MULTILINE))


def at_home(book: Book) -> set[str]:
    """Client identifiers of the collectors that have said that they are there."""
    with book.engine.connect() as connection:
        names = connection.execute(select(lease.c.name).where(lease.c.name.startswith("home:"))).scalars()
        return {name.rpartition("/")[2] for name in names}


def test_a_session_left_behind_is_told_until_it_is_ended_as_advised(tmp_path, broker, capsys):
    stores = f'folder = "{tmp_path}/stores"'
    sent = packs("heron", 8000, 8060, 1)
    given_up, stays = (Collecting(tmp_path, broker, name, ["heron"], stores, "").start() for name in ("gone", "stays"))
    try:
        with Book(f"sqlite:///{tmp_path}/stores/book.sqlite") as book, Publisher(broker) as box:
            until(lambda: at_home(book) == {"gone", "stays"})
            assert about_collectors(stays.config, capsys) == ""
            given_up.signal(signal.SIGKILL)
            told = until(lambda: about_collectors(stays.config, capsys))
            assert told.startswith("NOT WELL  collector gone: does not run, and the broker keeps what it receives")
            assert (
                about_collectors(given_up.config, capsys) == ""
            )  # whoever looks there may have stopped it for a moment
            box.publish([("kerfbook/tern-point/heron/readings", pack) for pack in sent])
            until(lambda: booked(book, "heron") == expected("heron", sent), 60)  # others collect it meanwhile
            assert about_collectors(stays.config, capsys) == told
            advised = shlex.split(re.search(r"mosquitto_sub .* -E", told)[0])
            subprocess.run([need(advised[0]), *advised[1:]], check=True, timeout=30)
            until(lambda: about_collectors(stays.config, capsys) == "")
    finally:
        given_up.stop()
        stays.stop()
