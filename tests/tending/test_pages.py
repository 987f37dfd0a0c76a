"""The maintenance and alerts pages in a real Chromium, on a real server and a real book."""

from __future__ import annotations

import datetime as dt
import os
from pathlib import Path

import pytest

from api.answers.calendar import instant, site_date
from api.answers.tasks import BySign, ByUse
from api.answers.telling import Policy
from api.delivery import AppriseSender
from api.desk import Desk
from api.tending import Tending
from api.watch import Watch
from collector.facts import State
from tests.dashboard.conftest import chrome, open_shop  # noqa: F401 (fixtures)
from tests.waiting import until, wait

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
    until(lambda: ticks(shop))
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


def open_form(chrome, shop, what: str) -> None:  # noqa: F811
    show(chrome, shop, "/maintenance", LAPTOP)
    chrome.execute_script(
        "document.getElementById('tasks').open = true;"
        f"const row = [...document.querySelectorAll('.task')].find((r) => r.textContent.includes('{what}'));"
        "row.querySelector('button').click(); const form = row.querySelector('form'); form.id = 'tried';"
        "window.set = (name, value) => { const e = form.elements[name]; e.value = value;"
        " e.dispatchEvent(new Event('change', { bubbles: true })); };"
    )


def save_form(chrome, shop, number: int) -> None:  # noqa: F811
    before = len(shop.tending.book.tasks())
    chrome.execute_script("document.querySelector('#tried button.main').click()")
    until(lambda: len(shop.tending.book.tasks()) == before + number)
    wait(chrome, "document.getElementById('tried') === null")


def test_an_interval_is_edited_on_the_page_without_knowing_the_rules_language(chrome, shop) -> None:  # noqa: F811
    open_form(chrome, shop, "grease")
    assert chrome.execute_script("return document.getElementById('tried').elements.often.value") == "weekday"
    chrome.execute_script(
        "set('often', 'weekly'); set('every_week', '2');"
        "for (const box of document.getElementById('tried').elements.days) box.checked = ['MO', 'TH'].includes(box.value)"
    )
    picture(chrome, "task-form")
    save_form(chrome, shop, 1)
    assert shop.tending.tasks()["grease"].when.rule == "FREQ=WEEKLY;INTERVAL=2;BYDAY=MO,TH"


def test_an_edit_that_changes_nothing_leaves_every_starter_task_as_it_was(chrome, shop) -> None:  # noqa: F811
    before = shop.tending.tasks()
    for task in before.values():
        open_form(chrome, shop, task.title.replace("'", "\\'"))
        save_form(chrome, shop, 1)
    assert shop.tending.tasks() == before


def test_a_task_of_ones_own_by_use_is_entered_on_the_page(chrome, shop) -> None:  # noqa: F811
    open_form(chrome, shop, "a task of your own")
    chrome.execute_script(
        "set('title', 'Rolos e correias: vistos à mão'); set('by', 'use'); set('measure', 'cuts'); set('use_every', '4000');"
        "set('warn', '80'); set('steps', 'Look at the rollers.\\nNote worn ones.'); set('basis', 'page 41 of the manual')"
    )
    save_form(chrome, shop, 1)
    made = shop.tending.tasks()["rolos-e-correias-vistos-a-mao"]
    assert made.when == ByUse("cuts", 4000, warn=0.8)
    assert (made.steps, made.saws, made.basis) == (
        ("Look at the rollers.", "Note worn ones."),
        (),
        "page 41 of the manual",
    )


def test_a_task_that_the_blades_wear_makes_due_is_entered_on_the_page(chrome, shop) -> None:  # noqa: F811
    open_form(chrome, shop, "a task of your own")
    chrome.execute_script(
        "set('title', 'Blade looked at'); set('by', 'sign'); set('sign', 'blade-wear'); set('steps', 'Look.')"
    )
    save_form(chrome, shop, 1)
    assert shop.tending.tasks()["blade-looked-at"].when == BySign("blade-wear")


def test_a_week_without_a_day_is_not_sent_and_said_so(chrome, shop) -> None:  # noqa: F811
    open_form(chrome, shop, "grease")
    chrome.execute_script(
        "set('often', 'weekly'); for (const box of document.getElementById('tried').elements.days) box.checked = false;"
        "document.querySelector('#tried button.main').click()"
    )
    wait(chrome, "document.getElementById('trouble').textContent.includes('at least one day')")
    assert len(shop.tending.book.tasks()) == len(shop.tending.tasks())


def test_rules_come_back_from_their_choices_as_they_were(chrome, shop) -> None:  # noqa: F811
    """The first column of RFC 5545 §3.8.5.3's examples, and what the choices cannot say."""
    show(chrome, shop, "/maintenance", LAPTOP)
    plain = [
        "FREQ=DAILY",
        "FREQ=WEEKLY;BYDAY=TU,TH",
        "FREQ=WEEKLY;INTERVAL=2;BYDAY=MO,WE,FR",
        "FREQ=MONTHLY;BYDAY=1FR",
        "FREQ=MONTHLY;INTERVAL=18;BYMONTHDAY=10",
        "FREQ=MONTHLY;BYDAY=-1MO",
    ]
    other = [
        "FREQ=DAILY;INTERVAL=10",
        "FREQ=WEEKLY",
        "FREQ=MONTHLY;BYMONTHDAY=-3",
        "FREQ=MONTHLY;BYDAY=1SU,-1SU",
        "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13",
        "FREQ=YEARLY;INTERVAL=2;BYMONTH=1,2,3",
        "FREQ=MONTHLY;BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-2",
    ]
    for rule in plain + other:
        often, back = chrome.execute_async_script(
            "const [rule, done] = arguments; import('/static/tending/rule.js')"
            ".then((m) => done([m.choices(rule).often, m.ruleOf(m.choices(rule))]))",
            rule,
        )
        assert back == rule
        assert (often == "other") == (rule in other), rule


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
