"""What `kerfbook doctor` says of this computer and of each box's clock."""

from __future__ import annotations

import shutil
import subprocess

import pytest

from collector.book.entries import NowEntry, SawCommit
from collector.facts import State
from dashboard.commands.doctor import _boxes
from dashboard.config import load
from dashboard.doctor import machine
from tests.api.conftest import at

NOW = at("09:10:00") / 1e6


def test_the_kernels_word_on_the_clock_is_that_of_its_own_tool():
    program = shutil.which("timedatectl")
    found = machine.synchronised()
    assert found in {True, False, None}
    if program is not None:
        show = [program, "show", "--property=NTPSynchronized", "--value"]
        done = subprocess.run(show, capture_output=True, text=True, check=False)
        if done.returncode == 0:  # a container has no bus to ask
            assert (done.stdout.strip() == "yes") is found


def test_a_clock_that_nobody_keeps_is_told_with_what_to_do():
    assert machine.clock(True).advice == ""
    assert machine.clock(None).advice == ""
    assert "chrony" in machine.clock(False).advice


def test_the_state_of_the_service_is_told():
    well = machine.state_of({"ActiveState": "active", "SubState": "running", "NRestarts": "3"})
    assert (well.seen, well.advice) == ("active (running), started again 3 times by itself", "")
    ill = machine.state_of({"ActiveState": "failed", "SubState": "failed", "NRestarts": "0"})
    assert ill.seen == "failed (failed)"
    assert "journalctl" in ill.advice


def test_without_a_unit_there_is_no_word_of_a_service(tmp_path):
    assert machine.service(tmp_path / "kerfbook.service") is None


@pytest.mark.real
def test_a_password_that_everybody_can_read_is_told(written):
    written.use()
    assert list(machine.secrets(load(written.config))) == []
    password = written.root / "collector/password"
    password.chmod(0o644)
    (told,) = machine.secrets(load(written.config))
    assert told.advice == f"chmod 600 {password}"


@pytest.mark.parametrize(
    ("newest", "skew", "told", "advised"),
    [
        ("09:09:58", 0.3, "heard 2 s ago, its clock +0.3 s from ours", False),
        ("09:12:00", 121, "its clock is 121 s ahead", True),
        ("09:05:00", -295, "its readings come 295 s late", True),
        ("08:30:00", 0, "silent for 40 minutes", True),
        ("08:30:00", -2398, "its readings come 2398 s late", True),  # heard two seconds ago, and of long ago
    ],
)
def test_each_boxs_clock_is_held_against_ours(shop, written, newest, skew, told, advised):
    entry = NowEntry("heron", at(newest), State.READY, at(newest), 3200, None, None, True, round(skew * 1e6))
    shop.book.commit([SawCommit("heron", at(newest), None, [], now=entry)])
    heron, plover = _boxes(load(written.config), shop.book, NOW)
    assert (heron.seen.startswith(told), bool(heron.advice)) == (True, advised), heron
    assert plover.seen == "never heard"
