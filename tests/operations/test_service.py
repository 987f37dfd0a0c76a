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

from api.answers.telling import Policy
from api.app import tending_of
from api.watch import Watch
from dashboard.cli import main
from dashboard.config import template
from dashboard.notify import Supervisor
from dashboard.service import Service, alerts_unit, backup_timer, backup_unit, unit
from tests.conftest import need
from tests.dashboard.running import COMMAND, Running
from tests.waiting import until


def service(**more) -> Service:
    values = {
        "title": "Tern Point 100 %",
        "command": (shutil.which("true"),),
        "config": PurePosixPath("/etc/kerfbook/kerfbook.toml"),
        "stores": PurePosixPath("/var/lib/kerfbook"),
        "backups": PurePosixPath("/srv/kerfbook backups"),
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
    made = service(stores=PurePosixPath(stores))
    texts = {
        "kerfbook.service": unit(made, alerts=False),
        "kerfbook-alerts.service": alerts_unit(made),
        "kerfbook-backup.service": backup_unit(made),
        "kerfbook-backup.timer": backup_timer(made),
    }
    for name, text in texts.items():
        (tmp_path / name).write_text(text)
    command = [need("systemd-analyze"), "verify", *(tmp_path / name for name in texts)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (done.returncode, [line for line in done.stderr.splitlines() if "kerfbook" in line]) == (0, [])


@pytest.mark.real
@pytest.mark.parametrize("text", [unit, alerts_unit, backup_unit])
def test_systemd_rates_the_services_as_well_protected(tmp_path, text):
    path = tmp_path / "kerfbook.service"
    path.write_text(text(service()))
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
    backup = backup_unit(service(stores=PurePosixPath("/srv/data"), backups=PurePosixPath("/var/lib/kept")))
    assert re.findall(r"^(?:ReadWritePaths|StateDirectory)=(.*)$", backup, re.M) == ["/srv/data", "kept"]
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
    texts = [path.read_text() for path in sorted(tmp_path.glob("kerfbook*.*")) if path != config]
    assert len(texts) == 3
    assert all(text in printed for text in texts)
    told = capsys.readouterr().out
    assert "systemctl enable --now kerfbook kerfbook-backup.timer" in told
    assert f"mkdir -p {tmp_path}/kerfbook-backups" in told
    tmp_path.chmod(0o700)
    assert main(["install-service", "--config", str(config), "--write", str(written)]) == 0
    assert f"chgrp kerfbook {tmp_path} && chmod 710 {tmp_path}" in capsys.readouterr().out
    assert main(["install-service", "--config", str(config), "--alerts", "--no-backup"]) == 0
    apart = capsys.readouterr().out
    assert f"run --no-alerts --config {config}" in apart
    assert f"alerts --config {config}" in apart
    assert "timer" not in apart
    assert main(["install-service", "--config", str(config), "--write", "/nowhere/kerfbook.service"]) == 1
    for wrong in (["--user", "root"], ["--memory", "much"]):
        with pytest.raises(SystemExit):
            main(["install-service", "--config", str(config), *wrong])


@pytest.mark.real
def test_kerfbook_run_says_that_it_is_ready_lives_and_ends(tmp_path, mosquitto, systemd, monkeypatch):
    monkeypatch.setenv("NOTIFY_SOCKET", systemd.path)
    monkeypatch.setenv("WATCHDOG_USEC", "600000")
    with Running(tmp_path, mosquitto, ["heron"]):
        until(lambda: systemd.heard.count("WATCHDOG=1") >= 3)
        assert systemd.heard[0] == "READY=1"
        mosquitto.stop()  # a broker that is away is no reason to start again
        before = systemd.heard.count("WATCHDOG=1")
        until(lambda: systemd.heard.count("WATCHDOG=1") >= before + 3)
    until(lambda: systemd.heard[-1] == "STOPPING=1")


@pytest.mark.real
def test_the_process_of_alerts_says_so_too_and_a_watch_that_hangs_is_found(tmp_path, mosquitto, systemd, monkeypatch):
    monkeypatch.setenv("NOTIFY_SOCKET", systemd.path)
    monkeypatch.setenv("WATCHDOG_USEC", "600000")
    config = tmp_path / "kerfbook.toml"
    config.write_text(template())
    process = subprocess.Popen([*COMMAND, "alerts", "--config", str(config)])
    try:
        until(lambda: systemd.heard.count("WATCHDOG=1") >= 3)
        assert systemd.heard[0] == "READY=1"
    finally:
        process.terminate()
        assert process.wait(60) == 0
    until(lambda: systemd.heard[-1] == "STOPPING=1")


def test_a_watch_that_hangs_in_a_look_does_not_move(monkeypatch, shop):
    monkeypatch.setattr("api.watch.STUCK_SECONDS", 0.2)
    held, inside = threading.Event(), threading.Event()
    watch = Watch(tending_of(shop.app), Policy(()), lambda *_: None, "http://saws.example/")
    monkeypatch.setattr(watch, "look", lambda: (inside.set(), held.wait(60)))
    watch.start(0.01)
    try:
        assert inside.wait(60)
        until(lambda: not watch.moves())
        held.set()
        until(watch.moves)
    finally:
        held.set()
        watch.stop()
    assert not watch.moves()


def test_there_is_no_sign_of_life_while_the_collector_does_not_move(systemd, caplog):
    moves, stopped, asked = threading.Event(), threading.Event(), []
    moves.set()

    def well() -> bool:
        asked.append(moves.is_set())
        return moves.is_set()

    supervisor = Supervisor({"NOTIFY_SOCKET": systemd.path, "WATCHDOG_USEC": "60000"})
    thread = threading.Thread(target=supervisor.wait, args=(stopped, well))
    thread.start()
    until(lambda: "WATCHDOG=1" in systemd.heard)
    moves.clear()
    until(lambda: asked.count(False) >= 5)
    signs = systemd.heard.count("WATCHDOG=1")
    assert signs <= asked.count(True)
    until(lambda: asked.count(False) >= 10)
    assert systemd.heard.count("WATCHDOG=1") == asked.count(True)
    moves.set()
    until(lambda: systemd.heard.count("WATCHDOG=1") > signs)
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
