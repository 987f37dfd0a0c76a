"""A box against a real broker: what it publishes arrives, also what it kept while the broker was away."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from typing import TYPE_CHECKING

import pytest

from simulator.play import OFFLINE, ONLINE, pace
from tests.conftest import free_port
from tests.waiting import until

from .test_embedded_broker import PACKS, Reader, box, readings

if TYPE_CHECKING:
    from pathlib import Path

MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
pytestmark = [
    pytest.mark.real,
    pytest.mark.skipif(
        MOSQUITTO is None and os.environ.get("KERFBOOK_REAL") != "1", reason="Mosquitto is not installed"
    ),
]


def mosquitto(folder: Path, port: int) -> subprocess.Popen[bytes]:
    assert MOSQUITTO is not None
    conf = folder / "mosquitto.conf"
    conf.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n")
    process = subprocess.Popen([MOSQUITTO, "-c", conf], stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    for _ in range(200):
        try:
            socket.create_connection(("127.0.0.1", port), 0.1).close()
        except OSError:
            time.sleep(0.02)
        else:
            return process
    raise AssertionError("Mosquitto did not come up")


def test_packs_and_presence_arrive_and_an_outage_loses_nothing(tmp_path: Path) -> None:
    port = free_port()
    process = mosquitto(tmp_path, port)
    sender = box(port)
    pace(PACKS[:60], sender.send, speed=float("inf"))
    assert sender.settle(10)
    process.terminate()
    process.wait(60)
    assert until(lambda: not sender._client.is_connected())
    pace(PACKS[60:], sender.send, speed=float("inf"))
    process = mosquitto(tmp_path, port)
    reader = Reader(port)
    try:
        # The first sixty were acknowledged by a broker that forgot them; the rest the box had kept.
        assert until(lambda: set(readings(reader)) >= {d.payload() for d in PACKS[60:]})
        assert sender.settle(5)
        sender.stop()
        status = [payload for topic, payload in reader.messages if topic.endswith("/status")]
        assert until(lambda: reader.messages[-1][1] == OFFLINE)
        assert status[0] == ONLINE
    finally:
        reader.leave()
        process.terminate()
        process.wait(60)
