"""`kerfbook collect` as processes on one broker and the same stores."""

from __future__ import annotations

import datetime as dt
import signal
import subprocess
import time
from functools import cache
from typing import TYPE_CHECKING, Self

from collector.facts import as_record
from collector.replay import replay
from simulator.play import deliveries
from simulator.shop import Saw, simulate_day
from tests.dashboard.running import COMMAND
from tests.ingest.publisher import until

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
        self._folder = folder / name
        self._folder.mkdir()
        self._config = self._folder / "kerfbook.toml"
        tables = "".join(f'[[saws]]\nname = "{saw}"\n' for saw in saws)
        self._config.write_text(
            f'[site]\nname = "{SITE}"\nzone = "Europe/Lisbon"\n{tables}'
            f'[broker]\nport = {broker.port}\nclient_id = "{name}"\n{more}\n[stores]\n{stores}\n'
        )
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def log(self) -> str:
        return (self._folder / "log").read_text()

    def start(self) -> Self:
        subscriptions = self._subscriptions()
        with (self._folder / "log").open("ab") as log:
            command = [*COMMAND, "collect", "--config", str(self._config)]
            self.process = subprocess.Popen(command, stdout=log, stderr=log)
        until(lambda: self._subscriptions() > subscriptions or self.process.poll() is not None, 60)
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
