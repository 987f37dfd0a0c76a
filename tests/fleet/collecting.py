"""`kerfbook collect` and `kerfbook serve` as processes on one broker and the same stores."""

from __future__ import annotations

import datetime as dt
import http.client
import json
import re
import signal
import subprocess
import threading
import time
from functools import cache
from typing import TYPE_CHECKING, Any, Self

from api.door.door import Door
from api.door.rights import Right
from collector.book.people import PeopleBook
from collector.facts import as_record
from collector.replay import replay
from simulator.play import deliveries
from simulator.shop import Saw, simulate_day
from tests.conftest import free_port
from tests.dashboard.running import COMMAND
from tests.waiting import until

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from collector.book import Book
    from tests.conftest import Mosquitto

MONDAY = dt.date(2026, 3, 2)
SITE = "tern-point"


@cache
def packs(saw: str, first: int, last: int, seed: int) -> list[bytes]:
    """A part of a simulated day, in packs of a second."""
    day = list(deliveries(simulate_day(Saw(saw), MONDAY, seed)))
    return [one.payload("json") for one in day[first:last]]


def expected(saw: str, sent: Sequence[bytes]) -> list[dict[str, object]]:
    return list(replay(sent, saw))


def booked(book: Book, saw: str) -> list[dict[str, object]]:
    return [as_record(fact) for fact in book.facts(saw, 0, 2**62)]


class Collecting:
    """One `kerfbook collect`; ``more`` are lines of its [broker]."""

    def __init__(self, folder: Path, broker: Mosquitto, name: str, saws: Sequence[str], stores: str, more: str) -> None:
        self.name, self._broker = name, broker
        self.folder = folder / name
        self.folder.mkdir()
        self.config = self.folder / "kerfbook.toml"
        tables = "".join(f'[[saws]]\nname = "{saw}"\n' for saw in saws)
        self.config.write_text(
            f'[site]\nname = "{SITE}"\nzone = "Europe/Lisbon"\n{tables}'
            f'[broker]\nport = {broker.port}\nclient_id = "{name}"\n{more}\n[stores]\n{stores}\n'
        )
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def log(self) -> str:
        return (self.folder / "log").read_text()

    def start(self) -> Self:
        subscriptions = self._subscriptions()
        with (self.folder / "log").open("ab") as log:
            command = [*COMMAND, "collect", "--config", str(self.config)]
            self.process = subprocess.Popen(command, stdout=log, stderr=log)
        until(lambda: self._subscriptions() > subscriptions or self.process.poll() is not None)
        assert self.process.poll() is None, self.log
        return self

    def signal(self, number: int) -> float:
        """Returns the moment."""
        assert self.process is not None
        self.process.send_signal(number)
        if number == signal.SIGKILL:
            self.process.wait()
        return time.monotonic()

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(30)
            finally:
                self.process.kill()

    def _subscriptions(self) -> int:
        """The broker's log tells each with the client's name before it."""
        return sum(f": {self.name} 1 " in line for line in self._broker.log.read_text().splitlines())


class Serving:
    """One `kerfbook serve` on the configuration of a collector, with a live stream that is read as it comes.

    Attributes:
        told: by saw, its entries on the stream, each with the moment [s, since 1970] at which it arrived.
    """

    def __init__(self, collecting: Collecting, book: Book) -> None:
        door = Door(PeopleBook(book), lambda: time.time_ns() // 1000)
        self._token = door.token("test", "test", {Right.SEE, Right.READ}, None).secret
        self._config = collecting.folder / "serve.toml"
        self._config.write_text(f"{collecting.config.read_text()}[web]\nport = {free_port()}\n")
        self._log = collecting.folder / "serve.log"
        self.told: dict[str, list[tuple[float, dict[str, Any]]]] = {}

    def __enter__(self) -> Self:
        with self._log.open("wb") as log:
            command = [*COMMAND, "serve", "--config", str(self._config)]
            self._process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log, text=True)
        assert self._process.stdout is not None
        text = ""
        while "Ctrl-C stops" not in text:
            line = self._process.stdout.readline()
            assert line, self._log.read_text()
            text += line
        found = re.search(r"screens at http://(\S+)/", text)
        assert found is not None
        self._line = http.client.HTTPConnection(found[1])
        self._line.request("GET", "/api/v1/stream", headers={"Authorization": f"Bearer {self._token}"})
        self._answer = self._line.getresponse()
        assert self._answer.status == 200
        threading.Thread(target=self._read, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._process.send_signal(signal.SIGINT)
        try:
            self._process.communicate(timeout=30)
        finally:
            self._process.kill()
        self._line.close()
        assert self._process.returncode == 0, self._log.read_text()

    def total(self, saw: str) -> int | None:
        """The saw's cuts of today as last told, None before."""
        entries = self.told.get(saw)
        return entries[-1][1]["cuts"]["total"] if entries else None

    def _read(self) -> None:
        while line := self._answer.readline():
            if line.startswith(b'data: {"saw"'):
                entry = json.loads(line[6:])
                self.told.setdefault(entry["saw"], []).append((time.time(), entry))
