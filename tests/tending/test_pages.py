"""The maintenance and alerts pages in a real Chromium, on a real server and a real book."""

from __future__ import annotations

import datetime as dt
import os
import time
from pathlib import Path

import pytest
from selenium.webdriver.support.ui import WebDriverWait

from api.answers.calendar import instant, site_date
from api.answers.telling import Policy
from api.delivery import AppriseSender
from api.desk import Desk
from api.tending import Tending
from api.watch import Watch
from collector.facts import State
from tests.dashboard.conftest import chrome, open_shop  # noqa: F401 (fixtures)

pytestmark = pytest.mark.real

LAPTOP, PHONE = (1366, 768), (390, 844)
PICTURES = os.environ.get("KERFBOOK_PICTURES")


@pytest.fixture
def shop(open_shop):  # noqa: F811
    """Monday 9 March, 14:02; tasks since a week, nobody ticked anything."""
    now = dt.datetime.now(dt.UTC).replace(microsecond=0)  # the page compares with the browser's own clock
    shop = open_shop(2, moment=now)
    shop.desk = Desk(shop.site, shop.book, shop.trace, shop.clock)
    shop.tending = Tending(shop.desk)
    zone = shop.desk.zone
    shop.today = site_date(shop.clock.us(), zone)
    shop.tending.begin(instant(shop.today - dt.timedelta(days=14), 0, zone))
    return shop


def show(chrome, shop, path: str, size: tuple[int, int]) -> None:  # noqa: F811
    how = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": size[0] < 700}
    chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", how)
    chrome.get(f"{shop.address}{path}")
    wait(chrome, "document.body.dataset.ready === 'yes'")


def wait(chrome, script: str, seconds: float = 15):  # noqa: F811
    return WebDriverWait(chrome, seconds, 0.05).until(lambda driver: driver.execute_script(f"return {script}"))


def picture(chrome, name: str) -> None:  # noqa: F811
    if PICTURES:
        Path(PICTURES).mkdir(exist_ok=True)
        chrome.save_screenshot(str(Path(PICTURES) / f"{name}.png"))


def press_done(chrome, task: str, saw: str = "heron") -> None:  # noqa: F811
    row = f".job[data-task='{task}'][data-saw='{saw}']"
    wait(chrome, f'document.querySelector("{row}") !== null')
    chrome.execute_script(
        f'document.querySelector("{row} .open").click(); document.querySelector("{row} .tick").click()'
    )


def ticks(shop) -> list[tuple[str, str, str]]:
    return [(t.task, t.saw, t.who) for t in shop.tending.book.ticks()]


@pytest.mark.parametrize("size", [LAPTOP, PHONE], ids=["laptop", "phone"])
@pytest.mark.parametrize("path", ["/maintenance", "/alerts"])
def test_nothing_sticks_out_and_targets_are_large(chrome, shop, path, size) -> None:  # noqa: F811
    show(chrome, shop, path, size)
    chrome.execute_script(
        "document.querySelectorAll('details').forEach((d) => d.open = true); document.querySelector('.job .open')?.click()"
    )
    assert chrome.execute_script("return document.documentElement.scrollWidth <= innerWidth")
    if size is PHONE:
        small = chrome.execute_script(
            "return [...document.querySelectorAll('button, select, input:not([type=checkbox])')].filter((e) => e.offsetParent"
            " && !e.closest('.head, #tasks, #feeds') && e.getBoundingClientRect().height < 48).map((e) => e.outerHTML)"
        )
        assert small == []
    picture(chrome, f"{path[1:]}-{size[0]}")


def test_done_from_the_phone_in_two_taps(chrome, shop) -> None:  # noqa: F811
    show(chrome, shop, "/maintenance", PHONE)
    press_done(chrome, "rails" if shop.today.weekday() < 5 else "clean-down")
    until = time.monotonic() + 10
    while not ticks(shop) and time.monotonic() < until:
        time.sleep(0.05)
    assert [(saw, who) for _, saw, who in ticks(shop)] == [("heron", "operator")]


def test_said_on_a_bad_line_it_is_kept_on_the_phone_and_delivered_once(chrome, shop) -> None:  # noqa: F811
    show(chrome, shop, "/maintenance", PHONE)
    shop.go_away()
    chrome.execute_script(
        "document.querySelector('#missed .job .open').click(); document.querySelector('#missed .job .tick').click()"
    )
    wait(
        chrome,
        "!document.getElementById('queued').hidden && document.getElementById('queued').textContent.startsWith('1 ')",
    )
    picture(chrome, "maintenance-queued")
    shop.come_back()
    wait(chrome, "document.getElementById('queued').hidden")
    assert len(ticks(shop)) == 1


def test_work_at_the_blade_shows_its_cautions_first(chrome, shop) -> None:  # noqa: F811
    show(chrome, shop, "/maintenance", LAPTOP)
    found = chrome.execute_script(
        "const of = [...document.querySelectorAll('.job')].map((r) => [r.dataset.task, r.querySelector('.cautions').hidden]);"
        "return Object.fromEntries(of)"
    )
    assert found["clean-down"] is True
    assert all(found[task] is False for task in ("grease", "squareness") if task in found)
    first = chrome.execute_script("return document.querySelector('.more').firstElementChild.className")
    assert first == "cautions"


def test_a_tick_is_corrected_on_the_page_and_the_history_keeps_both(chrome, shop) -> None:  # noqa: F811
    show(chrome, shop, "/maintenance", LAPTOP)
    chrome.execute_script(
        "document.querySelector('#missed .job .open').click(); document.querySelector('#missed .job .tick').click()"
    )
    wait(chrome, "document.querySelector('#done button') !== null")
    chrome.execute_script("document.querySelector('#done button').click()")
    chrome.execute_script("document.querySelector('.correct button:last-of-type').click()")
    wait(chrome, "document.querySelector('#done .rows li') === null")
    assert [t.withdrawn for t in shop.tending.book.ticks()] == [False, True]


def test_an_interval_is_edited_on_the_page(chrome, shop) -> None:  # noqa: F811
    show(chrome, shop, "/maintenance", LAPTOP)
    chrome.execute_script(
        "document.getElementById('tasks').open = true;"
        "const row = [...document.querySelectorAll('.task')].find((r) => r.textContent.includes('grease'));"
        "row.querySelector('button').click();"
        "row.querySelector('[name=rule]').value = 'FREQ=WEEKLY;BYDAY=TH';"
        "row.querySelector('form button').click()"
    )
    until = time.monotonic() + 10
    while len(shop.tending.book.tasks()) == 8 and time.monotonic() < until:
        time.sleep(0.05)
    assert shop.tending.tasks()["grease"].when.rule == "FREQ=WEEKLY;BYDAY=TH"


def test_an_alert_is_acknowledged_and_shelved_on_the_page(chrome, shop) -> None:  # noqa: F811
    watch = Watch(shop.tending, Policy(), AppriseSender(), shop.address)
    watch.look()
    shop.work("heron", State.ERROR, heard=1)
    watch.look()
    show(chrome, shop, "/alerts", LAPTOP)
    card = ".alert[data-kind='current-door-open']"
    picture(chrome, "alerts-standing")
    chrome.execute_script(f'document.querySelector("{card} .know").click()')
    wait(chrome, f"document.querySelector(\"{card}[data-state='acknowledged']\") !== null")
    chrome.execute_script(
        f"const s = document.querySelector(\"{card} select\"); s.value = '4'; s.dispatchEvent(new Event('change'))"
    )
    wait(chrome, f"document.querySelector(\"{card}[data-state='shelved']\") !== null")
    assert "on the shelf until" in chrome.execute_script(f'return document.querySelector("{card}").innerText')
