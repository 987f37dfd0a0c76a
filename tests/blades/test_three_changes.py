"""A day with three openings of the door goes through a real broker, and its blades are told in Chromium at phone size.

One change is told late, one wrongly (without a network) and then corrected, one opening was only cleaning. In the end the
cuts of each blade are those that it really made.
"""

from __future__ import annotations

import json
import os
import time
import urllib.request
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from api.answers.calendar import ShiftPlan
from api.door.guest import Visitors
from api.site import SawTitle, Site
from collector.book.book import Book
from collector.broker import Broker
from collector.detect.settings import DetectSettings
from collector.facts import SECOND, iso
from dashboard.house import House
from simulator.crew import Shiftwork
from simulator.dice import Dice, generator
from simulator.load import MATERIALS, Blade
from simulator.play import BoxClient, deliveries, pace
from simulator.script import Script
from simulator.shop import play
from simulator.world import HERON
from tests.dashboard.conftest import chrome  # noqa: F401 (a fixture)
from tests.waiting import until, wait

pytestmark = pytest.mark.real

PICTURES = os.environ.get("KERFBOOK_PICTURES")
PHONE = {"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": True}
SITE = Site("tern-point", "Tern Point Stageworks", "Europe/Lisbon", (SawTitle("heron", "Heron"),), ShiftPlan())


def the_day():
    """Three hours that ended just now: work, change, work, change, work, cleaning, work."""
    dice = Dice(generator(3, "three changes"))
    script = Script((time.time_ns() // 1000 // SECOND - 4 * 3600) * SECOND, 4 * 3600.0)
    # Plain to see, for this is no test of the detector: dense boards, fed briskly.
    dense = tuple(m for m in MATERIALS if m.name in {"birch plywood", "laminate on chipboard"})
    crew = replace(HERON.crew, materials=dense, feed_m_min=(14.0, 22.0))
    work = Shiftwork(script, crew, HERON.motor, Blade(), dice)
    work.now = 120.0
    for cause in ("blade change", "blade change", "cleaning", None):
        for _ in range(5):
            work.sheet()
            work.wait(dice.uniform(20, 60))
        work.switch_off()
        if cause:
            work.door(dice.uniform(150, 240), cause, early=False)
    script.seconds = work.now + 60
    return play(HERON, script, generator(3, "three changes", "noise"))


@pytest.fixture
def house(tmp_path):
    house = House(SITE, tmp_path / "trace.db", f"sqlite:///{tmp_path / 'book.db'}", DetectSettings())
    yield house
    house.close()


class Phone:
    """Chromium as a phone on one page."""

    def __init__(self, driver, address):
        self.driver = driver
        self.address = address
        driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", PHONE)
        driver.execute_cdp_cmd("Network.enable", {})

    def open(self, path):
        self.driver.get(self.address + path)
        self.wait("document.querySelector('#sits').textContent !== '…'")

    def wait(self, script):
        return wait(self.driver, script)

    def tap(self, words):
        """Taps the button that says so, if a thumb can: it is 48 px large and nothing lies over it."""
        path = f"//button[contains(normalize-space(.), {words!r})]"

        def press(driver):
            button = driver.find_element(By.XPATH, path)
            driver.execute_script("arguments[0].scrollIntoView({block: 'nearest'})", button)
            assert button.size["height"] >= 48
            button.click()
            return True

        painted_anew = (NoSuchElementException, StaleElementReferenceException)
        WebDriverWait(self.driver, 60, 0.05, painted_anew).until(press)

    def tap_beside(self, words, text):
        path = f"//li[contains(., {text!r})]//button[contains(., {words!r})]"
        self.driver.find_element(By.XPATH, path).click()

    def text(self, selector="body"):
        return self.driver.find_element(By.CSS_SELECTOR, selector).text

    def network(self, *, there):
        rate = {"download_throughput": -1, "upload_throughput": -1, "latency": 0}
        self.driver.set_network_conditions(offline=not there, **rate)
        self.wait(f"navigator.onLine === {str(there).lower()}")

    def picture(self, name):
        if PICTURES:
            Path(PICTURES).mkdir(exist_ok=True)
            self.driver.save_screenshot(str(Path(PICTURES) / f"{name}.png"))


def ask(address, path, body=None):
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(address + path, data, {"Content-Type": "application/json"})
    with urllib.request.urlopen(request, timeout=10) as answer:
        return json.load(answer)


def test_a_day_with_three_changes_is_told_on_the_phone_and_every_blade_has_its_own_cuts(
    mosquitto,
    house,
    tmp_path,
    chrome,  # noqa: F811
):
    played = the_day()
    truth = np.array([c.cut.start for c in played.facts.cuts])
    opened = [d.start for d in played.facts.doors]
    made = np.diff(np.searchsorted(truth, [0, opened[0], opened[1], 2**62])).tolist()

    address = f"http://127.0.0.1:{house.open_screens('mqtt://here', '127.0.0.1', 0, visitors=Visitors.LOCAL)}"
    house.listen(Broker(port=mosquitto.port, client_id="kerfbook-test", protocol="3.1.1"))
    until(lambda: house._collector.health().connected)  # before its first session a broker keeps nothing for it
    box = BoxClient("tern-point", HERON, "127.0.0.1", mosquitto.port)
    box.start()
    pace(deliveries(played), box.send, speed=float("inf"))
    assert box.settle(60)
    with Book(f"sqlite:///{tmp_path / 'book.db'}") as book:
        until(lambda: (now := book.now("heron")) is not None and now.at >= played.trace.last)
        found = [c.start for c in book.facts("heron", 0, 2**62, ["cut"])]
    assert len(found) == len(truth)
    box.stop()

    for tag in ("TP-01", "TP-03", "TP-05", "TP-07"):
        ask(address, "/api/v1/blades", {"tag": tag, "who": "maintenance lead"})
    said = "/api/v1/saws/heron/blade/said"
    begun = {"key": "first", "kind": "change", "at": iso(played.start_us), "tag": "TP-01", "who": "maintenance lead"}
    ask(address, said, begun)

    phone = Phone(chrome, address)
    phone.open("/saw/heron/blade")
    phone.wait("document.querySelector('#ask').innerText.includes('newest of 3')")
    order = chrome.execute_script(
        "return document.querySelector('#care').getBoundingClientRect().bottom <= "
        "document.querySelector('#ask').getBoundingClientRect().top"
    )
    assert order  # the cautions stand before the question
    assert "lock it off" in phone.text("#care")
    assert chrome.execute_script("return document.documentElement.scrollWidth") <= 390
    bottom = chrome.execute_script(
        "return [...document.querySelectorAll('#ask button')].at(-1).getBoundingClientRect().bottom"
    )
    assert bottom <= 844  # question and answers are seen at once
    phone.picture("phone-question")

    phone.tap("only cleaned")  # the newest opening, in one tap
    phone.tap("2 more openings wait")

    phone.network(there=False)  # the second change: told wrongly, in two taps, in a corner without a network
    phone.tap("TP-07")
    phone.picture("phone-fate")
    phone.tap("Sharpen")
    phone.wait("document.querySelector('#state').innerText.includes('kept on this phone')")
    phone.picture("phone-kept")
    chrome.execute_script("window.gone = true")
    phone.network(there=True)
    phone.wait(
        "!document.querySelector('#state').innerText.includes('kept') || document.querySelector('#state').hidden"
    )
    assert [s["tag"] for s in ask(address, "/api/v1/saws/heron/blade")["said"]] == [None, "TP-07", "TP-01"]

    phone.tap("1 more opening waits")  # the first change: told late
    phone.tap("TP-03")
    phone.tap("Sharpen")
    phone.wait("document.querySelectorAll('#said li').length === 4")

    phone.tap_beside("correct", "TP-07")  # no, it was TP-05
    phone.tap("TP-05")
    phone.tap("Sharpen")
    phone.wait("document.querySelector('#said').innerText.includes('TP-05')")
    phone.picture("phone-done")

    shares = ask(address, f"/api/v1/saws/heron/blade/shares?from={iso(played.start_us)}")
    assert shares["blades"] == dict(zip(("TP-01", "TP-03", "TP-05"), made, strict=True))
    assert shares["unattributed"] == 0
    page = ask(address, "/api/v1/saws/heron/blade")
    assert page["waiting"] == []
    assert (page["blade"]["tag"], page["blade"]["cuts"]) == ("TP-05", made[2])
    places = {b["tag"]: b["place"] for b in ask(address, "/api/v1/blades")["blades"]}
    assert places == {"TP-01": "to_sharpen", "TP-03": "to_sharpen", "TP-05": "on_saw", "TP-07": "new"}
    assert ask(address, "/api/v1/wall")["saws"][0]["blade"]["cuts"] == made[2]
    severe = [e["message"] for e in chrome.get_log("browser") if e["level"] == "SEVERE"]
    assert [m for m in severe if "ERR_INTERNET_DISCONNECTED" not in m] == []


def test_an_answer_survives_the_page_being_closed_and_is_delivered_by_the_next_one(house, chrome):  # noqa: F811
    address = f"http://127.0.0.1:{house.open_screens('mqtt://here', '127.0.0.1', 0, visitors=Visitors.LOCAL)}"
    ask(address, "/api/v1/blades", {"tag": "TP-01", "who": "maintenance lead"})
    phone = Phone(chrome, address)
    phone.open("/saw/heron/blade")
    phone.tap("nobody asked about")
    phone.network(there=False)
    phone.tap("TP-01")  # nothing is known to come out: one tap is enough
    phone.wait("document.querySelector('#state').innerText.includes('kept on this phone')")
    time.sleep(0.5)
    assert ask(address, "/api/v1/saws/heron/blade")["said"] == []
    chrome.get("about:blank")
    phone.network(there=True)
    phone.open("/saw/heron/blade")
    phone.wait("document.querySelector('#sits').innerText.startsWith('TP-01 since')")
    assert len(ask(address, "/api/v1/saws/heron/blade")["said"]) == 1


def test_a_label_opens_the_blade_and_two_taps_put_it_on_the_saw(house, chrome):  # noqa: F811
    address = f"http://127.0.0.1:{house.open_screens('mqtt://here', '127.0.0.1', 0, visitors=Visitors.LOCAL)}"
    for tag in ("TP-01", "TP-03"):
        ask(address, "/api/v1/blades", {"tag": tag, "who": "maintenance lead"})
    ask(
        address,
        "/api/v1/saws/heron/blade/said",
        {"key": "k", "kind": "change", "at": iso(time.time_ns() // 1000 - 9 * SECOND), "tag": "TP-01", "who": "lead"},
    )
    phone = Phone(chrome, address)
    phone.open("/blade/TP-03")
    phone.picture("phone-label")
    chrome.find_element(By.CSS_SELECTOR, "a.choice").click()
    phone.wait("document.querySelector('#fate-keep') !== null")
    assert "What happens with TP-01?" in phone.text("#ask")
    phone.tap("Keep")
    phone.wait("document.querySelector('#sits').innerText.startsWith('TP-03 since')")
    places = {b["tag"]: b["place"] for b in ask(address, "/api/v1/blades")["blades"]}
    assert places == {"TP-01": "in_rack", "TP-03": "on_saw"}


def test_what_the_server_refuses_is_shown_with_its_reason_and_can_be_dropped(house, chrome):  # noqa: F811
    address = f"http://127.0.0.1:{house.open_screens('mqtt://here', '127.0.0.1', 0, visitors=Visitors.LOCAL)}"
    ask(address, "/api/v1/blades", {"tag": "TP-01", "who": "maintenance lead"})
    phone = Phone(chrome, address)
    phone.open("/saw/heron/blade")
    phone.tap("nobody asked about")
    ask(address, "/api/v1/blades/TP-01/events", {"kind": "scrapped", "who": "lead", "at": "2020-01-01T00:00:00Z"})
    phone.tap("TP-01")
    phone.wait("document.querySelector('#state').innerText.includes('Not taken: TP-01 was scrapped')")
    phone.tap("Drop it")
    phone.wait("document.querySelector('#state').hidden")
