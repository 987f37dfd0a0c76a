"""Units that systemd's own programs accept, and signs of life on a real socket, of a real `kerfbook run`."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import threading
from pathlib import PurePosixPath

import pytest

from dashboard.cli import main
from dashboard.config import template
from dashboard.notify import Supervisor
from dashboard.service import Service, unit
from tests.broker.client import wait
from tests.conftest import need
from tests.dashboard.running import Running


def service(**more) -> Service:
    values = {
        "title": "Tern Point 100 %",
        "command": (shutil.which("true"),),
        "config": PurePosixPath("/etc/kerfbook/kerfbook.toml"),
        "stores": PurePosixPath("/var/lib/kerfbook"),
        "user": "kerfbook",
        "memory": "512M",
    }
    return Service(**values | more)


class Listener:
    """What systemd is to a service: a socket of datagrams."""

    def __init__(self, path) -> None:
        self.heard: list[str] = []
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(path))
        self.path = str(path)
        self._thread = threading.Thread(target=self._listen)
        self._thread.start()

    def _listen(self) -> None:
        while message := self.socket.recv(4096):
            self.heard.append(message.decode())

    def close(self) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as last:
            last.sendto(b"", self.path)
        self._thread.join(20)
        self.socket.close()


@pytest.fixture
def systemd(tmp_path):
    listener = Listener(tmp_path / "notify")
    yield listener
    listener.close()


@pytest.mark.real
@pytest.mark.parametrize("stores", ["/var/lib/kerfbook", "/srv/saws/kerfbook-data", "/home/pi/100 %/data"])
def test_systemd_finds_no_fault_with_the_unit(tmp_path, stores):
    path = tmp_path / "kerfbook.service"
    path.write_text(unit(service(stores=PurePosixPath(stores))))
    done = subprocess.run([need("systemd-analyze"), "verify", path], capture_output=True, text=True, check=False)
    assert (done.returncode, [line for line in done.stderr.splitlines() if "kerfbook" in line]) == (0, [])


@pytest.mark.real
def test_systemd_rates_the_service_as_well_protected(tmp_path):
    path = tmp_path / "kerfbook.service"
    path.write_text(unit(service()))
    command = [need("systemd-analyze"), "security", "--offline=true", "--threshold=25", "--no-pager", path]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    rated = re.search(r"Overall exposure level for kerfbook\.service: ([\d.]+)", done.stdout)
    assert rated, done.stderr
    assert float(rated[1]) <= 2.5
    assert done.returncode == 0


def test_the_service_may_write_to_the_folder_of_its_stores_alone():
    text = unit(service(stores=PurePosixPath("/srv/saws/data")))
    assert re.findall(r"^ReadWritePaths=(.*)$", text, re.M) == ["/srv/saws/data"]
    assert "ProtectSystem=strict" in text
    own = unit(service())
    assert "StateDirectory=kerfbook\n" in own
    assert "ReadWritePaths" not in own


def test_the_command_prints_or_writes_it_and_says_what_is_left(tmp_path, capsys):
    config = tmp_path / "kerfbook.toml"
    config.write_text(template())
    assert main(["install-service", "--config", str(config)]) == 0
    printed = capsys.readouterr().out
    assert f"run --config {config}" in printed
    written = tmp_path / "kerfbook.service"
    assert main(["install-service", "--config", str(config), "--write", str(written)]) == 0
    assert written.read_text() == printed
    assert "systemctl enable --now kerfbook" in capsys.readouterr().out
    assert main(["install-service", "--config", str(config), "--write", "/nowhere/kerfbook.service"]) == 1
    for wrong in (["--user", "root"], ["--memory", "much"]):
        with pytest.raises(SystemExit):
            main(["install-service", "--config", str(config), *wrong])


@pytest.mark.real
def test_kerfbook_run_says_that_it_is_ready_lives_and_ends(tmp_path, mosquitto, systemd, monkeypatch):
    monkeypatch.setenv("NOTIFY_SOCKET", systemd.path)
    monkeypatch.setenv("WATCHDOG_USEC", "600000")
    with Running(tmp_path, mosquitto, ["heron"]):
        wait(lambda: systemd.heard.count("WATCHDOG=1") >= 3)
        assert systemd.heard[0] == "READY=1"
        mosquitto.stop()  # a broker that is away is no reason to start again
        before = systemd.heard.count("WATCHDOG=1")
        wait(lambda: systemd.heard.count("WATCHDOG=1") >= before + 3)
    wait(lambda: systemd.heard[-1] == "STOPPING=1")


def test_there_is_no_sign_of_life_while_the_collector_does_not_move(systemd, caplog):
    moves, stopped, asked = threading.Event(), threading.Event(), []
    moves.set()

    def well() -> bool:
        asked.append(moves.is_set())
        return moves.is_set()

    supervisor = Supervisor({"NOTIFY_SOCKET": systemd.path, "WATCHDOG_USEC": "60000"})
    thread = threading.Thread(target=supervisor.wait, args=(stopped, well))
    thread.start()
    wait(lambda: "WATCHDOG=1" in systemd.heard)
    moves.clear()
    wait(lambda: asked.count(False) >= 5)
    signs = systemd.heard.count("WATCHDOG=1")
    assert signs <= asked.count(True)
    wait(lambda: asked.count(False) >= 10)
    assert systemd.heard.count("WATCHDOG=1") == asked.count(True)
    moves.set()
    wait(lambda: systemd.heard.count("WATCHDOG=1") > signs)
    stopped.set()
    thread.join(20)
    assert [record.levelname for record in caplog.records].count("ERROR") == 1


def test_without_systemd_it_waits_in_silence_and_a_childs_watchdog_is_not_ours():
    stopped = threading.Event()
    stopped.set()
    Supervisor({}).wait(stopped, lambda: pytest.fail("nobody asked"))
    environment = {"NOTIFY_SOCKET": "@nobody", "WATCHDOG_USEC": "1000", "WATCHDOG_PID": str(os.getppid())}
    supervisor = Supervisor(environment)
    assert environment == {}
    assert supervisor._within is None
