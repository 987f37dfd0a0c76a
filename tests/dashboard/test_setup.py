"""The setup page in a real Chromium: the five steps, what they say, and what is kept."""

from __future__ import annotations

import datetime as dt
import time
from dataclasses import replace

import pytest
from selenium.webdriver.common.by import By

from collector.book.entries import NowEntry, SawCommit
from collector.book.habits import HabitHistory, Learned
from collector.book.settings import SettingsHistory
from collector.detect.habits import Habits
from collector.facts import SECOND, State, iso
from collector.signals import Series, Trace
from tests.calibrate.trial import BOX, trial
from tests.dashboard.test_logbook import LAPTOP, PHONE, picture, show, text
from tests.waiting import wait

pytestmark = pytest.mark.real

ORDER = ("off", "idle", "cuts", "stop", "end")


@pytest.fixture
def tried(open_shop):
    """A workshop just after a trial; its page with the trial's steps."""

    def tried(played, steps: int = 5):
        shop = open_shop(1, moment=dt.datetime.fromtimestamp(played.steps.end / SECOND + 3, dt.UTC))
        shop.trace.write("heron", played.trace)
        shop.trace.commit()
        end = played.steps.end
        now = NowEntry("heron", end, State.STANDBY, end, 40, locked=False, station=None, door_closed=True)
        shop.book.commit([SawCommit("heron", 0, None, [], now=now)])
        query = "&".join(f"{step}={iso(getattr(played.steps, step))}" for step in ORDER[:steps])
        return shop, f"{shop.address}/setup/heron?{query}"

    return tried


@pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=str)
def test_a_sound_trial_is_told_and_kept_with_its_date(chrome, tried, size):
    shop, page = tried(trial(box=replace(BOX, offset=0.6)))
    show(chrome, page, size)
    wait(chrome, "!document.getElementById('keep').hidden")
    told = text(chrome, "#findings")
    assert "3 cuts seen" in told
    assert "cannot be told from it and does not matter here" in told
    assert "the motor is on from 1." in text(chrome, "#follow")
    assert chrome.execute_script("return document.documentElement.scrollWidth") <= size[0]
    picture(chrome, f"setup-sound-{size[0]}")
    chrome.execute_script("document.getElementById('save').scrollIntoView({ block: 'center' })")
    chrome.find_element(By.ID, "save").click()
    wait(chrome, "!document.getElementById('kept').hidden")
    assert "when the saw rests" in text(chrome, "#kept")
    assert "by installer" in text(chrome, "#versions")
    newest = SettingsHistory(shop.book).newest("heron")
    assert newest is not None
    assert newest.values["on_ma"] > 1000


def test_a_clamp_that_does_not_fit_cannot_be_kept(chrome, tried):
    _, page = tried(trial().clipped(4500))
    show(chrome, page)
    wait(chrome, "document.querySelector('[data-code=saturated]') !== null")
    first = chrome.execute_script("return document.querySelector('#findings li').className")
    assert first == "fault"
    assert text(chrome, "#findings li b") == "mend first"
    assert chrome.execute_script("return document.getElementById('keep').hidden")
    picture(chrome, "setup-saturated")


@pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=str)
def test_what_the_collector_learned_by_itself_is_told_with_its_date(chrome, open_shop, size):
    shop = open_shop(1)
    show(chrome, f"{shop.address}/setup/heron", size)
    wait(chrome, "document.getElementById('learned').innerText.startsWith('Nothing yet')")
    now = shop.clock.us()
    for habits, stops, told in (
        (Habits(None, None, (3300, 3600)), 1, "current is seen is not known yet. Idle takes 3.30 to 3.60 A."),
        (Habits(False, None, None), 7, "current is not seen. What idle takes is not known yet."),
        (Habits(True, (2_100_000, 2_400_000), (3300, 3600)), 23, "current is seen, for 2.1 to 2.4 s. Idle takes 3.30"),
    ):
        known = Learned("heron", now - SECOND, habits, stops, stops, 40, now - 3 * SECOND, now - 2 * SECOND, now)
        HabitHistory(shop.book).add(known, None)
        show(chrome, f"{shop.address}/setup/heron", size)
        wait(chrome, f"document.getElementById('learned').innerText.includes({told!r})")
    assert text(chrome, "#learned").startswith("Learned from 23 stops:")
    assert text(chrome, "#learned").endswith("Known since Mon, 2 Mar 2026 14:02.")
    assert chrome.execute_script("return document.documentElement.scrollWidth") <= size[0]
    chrome.execute_script("document.getElementById('learned').scrollIntoView({ block: 'center' })")
    picture(chrome, f"setup-learned-{size[0]}")


def test_the_cautions_stand_before_the_first_step(chrome, tried):
    _, page = tried(trial(), 1)
    show(chrome, page)
    told = text(chrome, "#care")
    for words in ("a licensed electrician fits it", "isolate the saw, lock it off", "protects nobody", "manual"):
        assert words in told
    assert chrome.execute_script(
        "return document.getElementById('care').getBoundingClientRect().bottom"
        " <= document.getElementById('steps').getBoundingClientRect().top"
    )


def test_live_current_is_followed_and_the_steps_are_kept_in_the_address(chrome, open_shop):
    shop = open_shop(1)

    def say(amps: float, state: State) -> None:
        now = shop.clock.us()
        t = range(now - 2 * SECOND, now, SECOND // 10)
        shop.trace.write("heron", Trace(Series.of(t, [round(amps * 1000)] * len(t)), *[Series.empty()] * 3))
        shop.trace.commit()
        entry = NowEntry("heron", now, state, now, round(amps * 1000), True, None, True)
        shop.book.commit([SawCommit("heron", None, None, [], now=entry)])

    say(0.04, State.STANDBY)
    show(chrome, f"{shop.address}/setup/heron")
    wait(chrome, "document.getElementById('figure').innerText === '0.04 A'")
    chrome.find_element(By.ID, "next").click()
    wait(chrome, "document.querySelector('[data-step=off]').classList.contains('here')")
    assert chrome.current_url.split("?")[1].startswith("off=2026-03-02T14:02")
    time.sleep(0.3)
    say(3.2, State.READY)
    wait(chrome, "document.getElementById('figure').innerText === '3.20 A'")
    chrome.find_element(By.ID, "next").click()
    wait(chrome, "/idle=/.test(location.search)")
    picture(chrome, "setup-under-way")
    link = chrome.current_url
    show(chrome, link)
    wait(chrome, "document.querySelector('[data-step=idle]').classList.contains('here')")
    chrome.find_element(By.ID, "again").click()
    wait(chrome, "location.search === ''")


def test_a_box_that_never_spoke_is_said_to_be_silent(chrome, open_shop):
    shop = open_shop(1)
    show(chrome, f"{shop.address}/setup/heron")
    wait(chrome, "document.getElementById('heard').innerText === 'nothing heard from the box yet'")
