"""Fixtures that every room's tests share."""

from __future__ import annotations

import os
import random
import shutil
import signal
import socket
import subprocess
import time
from contextlib import suppress
from typing import TYPE_CHECKING, NoReturn

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from pathlib import Path

settings.register_profile("kerfbook", deadline=None)  # a loaded machine is slow and not wrong
settings.load_profile("kerfbook")

REAL = os.environ.get("KERFBOOK_REAL") == "1"
MOST_WORKERS = 8
os.environ["LC_ALL"] = "C.UTF-8"  # what commands print is looked for in English


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """How many processes share the tests: one more than cores, for many tests wait for some other process.

    Figures are taken with nothing beside them, and what is one file, or is looked at while it runs, runs here.
    """
    chosen = [argument.partition("::")[0] for argument in config.args]
    one_file = len(set(chosen)) == 1 and chosen[0].endswith(".py")
    figures = "not bench" not in config.option.markexpr
    if one_file or figures or config.option.capture == "no":
        return 0
    return min((os.cpu_count() or 1) + 1, MOST_WORKERS)


def missing(why: str) -> NoReturn:
    """A real part that is not there: the test is skipped, and fails where ``KERFBOOK_REAL=1``."""
    if REAL:
        pytest.fail(f"{why}, and KERFBOOK_REAL=1 wants it")
    pytest.skip(why)


def need(program: str) -> str:
    """The path of a program, or `missing`."""
    path = shutil.which(program) or shutil.which(program, path="/usr/sbin:/usr/local/sbin")
    return path if path is not None else missing(f"{program} is not installed")


def free_port() -> int:
    """One below those that the system gives away by itself: nobody takes it, though it is used a minute later."""
    while True:
        port = random.SystemRandom().randrange(10_000, 32_000)
        with socket.socket() as probe, suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


class Mosquitto:
    """A real broker in a folder of its own: sessions and queued messages survive `kill` no better than in life."""

    host = "127.0.0.1"

    def __init__(self, folder: Path, *settings: str) -> None:
        self.program = need("mosquitto")
        self.port = free_port()
        self.log = folder / "mosquitto.log"
        self.config = folder / "mosquitto.conf"
        self.process: subprocess.Popen[bytes] | None = None
        data = folder / "mosquitto"
        data.mkdir(exist_ok=True)
        lines = [
            f"listener {self.port} {self.host}",
            "allow_anonymous true",
            "persistence true",
            f"persistence_location {data}/",
            "max_queued_messages 0",  # 1000 by default: a collector that is away for a while would lose the rest
            *([f"user {os.environ.get('USER', 'root')}"] if os.geteuid() == 0 else []),
            *settings,
        ]
        self.config.write_text("\n".join(lines) + "\n")

    def start(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen([self.program, "-c", self.config], stdout=log, stderr=log)
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            with suppress(OSError), socket.create_connection((self.host, self.port), 0.2):
                return
            if self.process.poll() is not None:
                break
            time.sleep(0.02)
        raise AssertionError(f"mosquitto does not answer: {self.log.read_text()[-2000:]}")

    def stop(self) -> None:
        """Ends it in order: it writes its sessions to disk."""
        if self.process is not None:
            self.process.send_signal(signal.SIGTERM)
            self.process.wait(60)
            self.process = None

    def restart(self) -> None:
        self.stop()
        self.start()


@pytest.fixture
def mosquitto(tmp_path):
    """A running broker."""
    broker = Mosquitto(tmp_path)
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture(scope="session")
def postgres():
    """A running PostgreSQL; see `tests.postgres`."""
    from tests.postgres import Postgres  # noqa: PLC0415 (most tests need no database server)

    server = Postgres()
    yield server
    server.stop()


@pytest.fixture
def influx(tmp_path):
    """A running InfluxDB of one test, which may kill it; see `tests.trace.influx`."""
    from tests.trace.influx import Influx  # noqa: PLC0415 (most tests need no database server)

    (tmp_path / "influx").mkdir()
    server = Influx(tmp_path / "influx")
    yield server
    server.close()


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.real)])
def book_url(request, tmp_path):
    """The address of a book with nothing in it, for each kind of database."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path}/book.db"
        return
    postgres = request.getfixturevalue("postgres")
    url = postgres.book()
    yield url
    postgres.drop(url)
