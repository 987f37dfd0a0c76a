"""`kerfbook run` as a process, and boxes that feed it through a real broker in the time of life."""

from __future__ import annotations

import datetime as dt
import json
import os
import re
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, NamedTuple, Self

from api.answers.cuts import count_cuts
from api.door.door import Door
from api.door.rights import Right
from collector.book.book import Book
from collector.book.people import PeopleBook
from collector.detect.detector import Detector
from collector.facts import SECOND
from collector.outline import outline_of
from collector.signals import Series, Trace
from collector.wire.pack import write_pack
from tests.conftest import free_port
from tests.detect.build import START, spin_up, story

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from tests.conftest import Mosquitto
    from tests.ingest.publisher import Publisher

SITE = "tern-point"
COMMAND = [sys.executable, "-c", "import sys; from dashboard.cli import main; sys.exit(main())"]


class Running:
    """`kerfbook run` on a broker, with a kerfbook.toml as a workshop would write it.

    ``sign_in``: further lines of [broker].
    ``more`` is text for the end of that file; with ``boxes`` each saw names its box; ``env`` and ``command`` are for what
    stands between the test and the process, such as a clock that can be shifted.

    Attributes:
        address: of its screens.
        pid: of its process.
        token: lets a program see and read.
    """

    def __init__(
        self,
        folder: Path,
        broker: Mosquitto,
        saws: Sequence[str],
        *,
        sign_in: str = "",
        more: str = "",
        boxes: bool = True,
        env: Mapping[str, str] = MappingProxyType({}),
        command: Sequence[str] = COMMAND,
    ) -> None:
        self._config, self._log = folder / "kerfbook.toml", folder / "run.log"
        self._env, self._command = os.environ | dict(env), command
        named = {saw: f'box = "{box_of(saw)}"\n' if boxes else "" for saw in saws}
        tables = "".join(f'[[saws]]\nname = "{saw}"\n{box}\n' for saw, box in named.items())
        self._config.write_text(
            f'[site]\nname = "{SITE}"\ntitle = "Tern Point Stageworks"\nzone = "{_where_it_is_noon()}"\n\n{tables}'
            f'[broker]\nhost = "{broker.host}"\nport = {broker.port}\n{sign_in}\n'
            f'[web]\nhost = "127.0.0.1"\nport = {free_port()}\n\n'
            '[[shifts]]\ndays = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]\nstart = "08:00"\nend = "17:00"\n\n'
            + more
        )

        if (folder / "kerfbook-data" / "book.sqlite").exists():
            return  # started once more: on what is there, torn as it may be
        (folder / "kerfbook-data").mkdir(exist_ok=True)
        with Book(f"sqlite:///{folder / 'kerfbook-data' / 'book.sqlite'}") as book:
            door = Door(PeopleBook(book), lambda: time.time_ns() // 1000)
            self.token = door.token("test", "test", {Right.SEE, Right.READ}, None).secret
            self._link = door.link("test", "test").secret

    def __enter__(self) -> Self:
        with self._log.open("a") as log:  # a pipe that nobody reads would stop it when it is full
            self._process = subprocess.Popen(
                [*self._command, "run", "--config", str(self._config)],
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                env=self._env,
            )
        assert self._process.stdout is not None
        told = ""
        while "Ctrl-C stops" not in told:
            line = self._process.stdout.readline()
            assert line or self._process.poll() is None, self._log.read_text()
            told += line
        self.address = re.search(r"screens at (\S+)/", told)[1]
        self.pid = self._process.pid
        return self

    def __exit__(self, *_: object) -> None:
        self._process.send_signal(signal.SIGINT)
        try:
            self._process.communicate(timeout=20)
        except subprocess.TimeoutExpired:
            self._process.kill()
            raise
        assert self._process.returncode in {0, -signal.SIGKILL}, self._log.read_text()

    @property
    def asking(self) -> dict[str, str]:
        """Headers of whoever may see and read."""
        return {"Authorization": f"Bearer {self.token}"}

    def wait_killed(self) -> None:
        """Until the killed process is gone."""
        self._process.communicate(timeout=20)

    def get(self, path: str) -> Any:
        asked = urllib.request.Request(self.address + path, headers=self.asking)
        with urllib.request.urlopen(asked, timeout=10) as answer:
            return json.load(answer)

    def ill(self) -> dict[str, str]:
        """What `/healthz` says is not well, and how; empty: all is well."""
        try:
            with urllib.request.urlopen(self.address + "/healthz", timeout=60):
                return {}
        except urllib.error.HTTPError as answer:
            with answer:
                said = json.load(answer)
            return {one["where"]: one["detail"] for one in said.get("errors", ())} or {"": said["detail"]}

    @property
    def tv(self) -> str:
        """The address that opens the wall on a TV that nobody has signed in at."""
        return f"{self.address}/enter#{self._link}"

    def hear(self, box: Publisher, packs: Sequence[tuple[str, bytes]], seconds: float = 60) -> None:
        """Publish a pack of every saw until all are heard.

        A broker keeps nothing for a collector that it has not met yet, so what is published before the first
        subscription is nobody's.
        """
        end = time.monotonic() + seconds
        while any(saw["last_reading"] is None for saw in self.get("/api/v1/wall")["saws"]):
            assert time.monotonic() < end, self.get("/api/v1/refusals")
            box.publish(packs)
            time.sleep(0.2)


def _where_it_is_noon() -> str:
    """A zone in whose day "today" no midnight comes near, whenever the tests run."""
    hours = 12 - dt.datetime.now(dt.UTC).hour
    return f"Etc/GMT{-hours:+d}"  # POSIX counts westward


class Message(NamedTuple):
    """A pack of a box: due so many seconds after the story's start; ``cuts`` counted once it is in."""

    due: float
    topic: str
    trace: Trace
    cuts: int
    ended: int


def box_of(saw: str) -> str:
    """The URN of a saw's box: an invented one for each name."""
    return f"urn:dev:mac:0024befffe{int.from_bytes(saw.encode()[-3:], 'big'):06x}:"


def work(cuts: int, *, cut_s: float = 3.0, pause_s: float = 3.0) -> Trace:
    """A start, idle, some cuts with pauses between them, at 10 Hz; in the story's time."""
    levels = [*spin_up(), (12.0, 3.0)] + [(cut_s, 6.5), (pause_s, 3.0)] * cuts + [(1.0, 3.0)]
    return story(levels, lock=[(0, 1)], door=[(0, 1)])


def messages(saw: str, trace: Trace, *, phase: float = 0.0) -> list[Message]:
    """The packs of a second in which a box sends a story, and what a detector alone knows after each."""
    detector, seen = Detector(saw), {}
    out = []
    for k in range(int((trace.last - START) / SECOND + 1 - phase) + 1):
        first = START if k == 0 else round(START + (k - 1 + phase) * SECOND) + 1
        end = k + phase
        part = trace.between(first, round(START + end * SECOND) + 1)
        if not len(part):
            continue
        detector.feed(part)
        found = detector.facts()
        seen = {key: f for key, f in seen.items() if f.start < found.settled_from} | {
            (f.kind, f.start): f for f in found.facts
        }
        outline = outline_of(seen.values())
        counts = count_cuts(outline, 0, 2**62)
        ended = sum(f.kind == "cut" and f.end is not None for f in seen.values())
        out.append(Message(end, f"kerfbook/{SITE}/{saw}/readings", part, counts.total, ended))
    return out


def payload(message: Message, began: float) -> bytes:
    """The pack as a box sends it whose story began at a moment (seconds since 1970)."""
    shift = round(began * SECOND) - START
    moved = Trace(*(Series(series.t + shift, series.v) for series in message.trace.series()))
    return write_pack(box_of(message.topic.split("/")[2]), moved)


def in_time(flow: Sequence[Message], began: float) -> Iterator[Message]:
    """Each message when it is due."""
    for message in flow:
        time.sleep(max(0.0, began + message.due - time.time()))
        yield message
