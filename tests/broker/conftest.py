"""A real Mosquitto that runs on what `kerfbook broker-config` wrote."""

from __future__ import annotations

import os
import signal
import socket
import ssl
import subprocess
import time
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest

from dashboard.cli import main
from tests.conftest import free_port, need

if TYPE_CHECKING:
    from pathlib import Path

CONFIG = """\
[site]
name = "tern-point"
title = "Tern Point Stageworks"
zone = "Europe/Lisbon"

[[saws]]
name = "heron"

[[saws]]
name = "plover"

[broker]
host = "127.0.0.1"
port = {port}
{rest}
[web]
port = {web}

[[shifts]]
days = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
start = "00:00"
end = "24:00"
"""


class Written:
    """A workshop's folder, its broker's folder, and the broker.

    Attributes:
        host: of the broker.
        port: of Kerfbook at it.
        root: what the command wrote.
        config: kerfbook.toml.
        boxes: port of the boxes.
    """

    host = "127.0.0.1"

    def __init__(self, folder: Path) -> None:
        self.config = folder / "kerfbook.toml"
        self.root = folder / "kerfbook-broker"
        self.boxes, self.port = free_port(), free_port()
        self._data = folder / "broker-data"
        self._data.mkdir()
        self._web = free_port()
        self._process: subprocess.Popen[bytes] | None = None
        self.log = folder / "mosquitto.log"
        self.config.write_text(CONFIG.format(port=self.port, web=self._web, rest=""))

    def write(self, *arguments: str) -> int:
        given = ["--host", "127.0.0.1", "--port", str(self.boxes), "--collector-port", str(self.port)]
        places = ["--data", str(self._data), "--installed", str(self.root / "broker")]
        return main(["broker-config", "--config", str(self.config), *places, *given, *arguments])

    @property
    def sign_in(self) -> str:
        """What the command says shall stand in [broker]."""
        return (
            f'tls = true\nca_file = "{self.root}/collector/ca.pem"\nusername = "kerfbook"\n'
            f'password_file = "{self.root}/collector/password"\n'
        )

    def use(self) -> None:
        """Put that into kerfbook.toml."""
        self.config.write_text(CONFIG.format(port=self.port, web=self._web, rest=self.sign_in))

    def password(self, saw: str) -> str:
        return (self.root / "boxes" / saw / "password").read_text().strip()

    def trust(self) -> ssl.SSLContext:
        return ssl.create_default_context(cafile=self.root / "ca/ca.pem")

    def start(self) -> None:
        config = self.root / "broker/mosquitto.conf"
        if os.geteuid() == 0:  # else it would become a user who may not enter pytest's folder
            config = self.root / "broker/as-root.conf"
            config.write_text("user root\n" + (self.root / "broker/mosquitto.conf").read_text())
        with self.log.open("ab") as log:
            self._process = subprocess.Popen([need("mosquitto"), "-c", config], stdout=log, stderr=log)
        end = time.monotonic() + 60
        while time.monotonic() < end and self._process.poll() is None:
            with suppress(OSError):
                for port in (self.boxes, self.port):
                    socket.create_connection(("127.0.0.1", port), 1).close()
                return
            time.sleep(0.02)
        raise AssertionError(self.log.read_text()[-2000:])

    def reload(self) -> None:
        """Let it read users and rights again."""
        self._process.send_signal(signal.SIGHUP)

    def stop(self) -> None:
        if self._process is not None:
            self._process.send_signal(signal.SIGTERM)
            self._process.wait(60)
            self._process = None


@pytest.fixture
def written(tmp_path, capsys):
    """A folder that the command wrote; `start` starts the broker."""
    made = Written(tmp_path)
    assert made.write() == 0
    made.told = capsys.readouterr().out
    yield made
    made.stop()


@pytest.fixture
def broker(written):
    """The same, with its broker running."""
    written.start()
    return written
