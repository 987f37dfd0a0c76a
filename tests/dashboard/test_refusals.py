"""What was refused, for the installer who stands at the box, in Chromium."""

from __future__ import annotations

import pytest

from collector.book.entries import RefusalEntry
from collector.facts import SECOND
from tests.waiting import until, wait

READY = "document.body.dataset.ready === 'yes'"
pytestmark = pytest.mark.real


def look(chrome, shop) -> None:
    laptop = {"width": 1366, "height": 768, "deviceScaleFactor": 1, "mobile": False}
    chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", laptop)  # another test may have left a phone's
    chrome.get(f"{shop.address}/refusals")
    wait(chrome, READY)


def refuse(shop, saw: str | None, code: str, reason: str, payload: bytes, ago_s: int = 5) -> None:
    moment = shop.clock.us() - ago_s * SECOND
    topic = f"kerfbook/tern-point/{saw or 'egret'}/readings"
    shop.book.commit([], [RefusalEntry(topic, saw, code, reason, moment, moment, payload)])


def rows(chrome) -> list[str]:
    return chrome.execute_script("return [...document.querySelectorAll('#newest li')].map((row) => row.innerText)")


def sent(chrome, row: int) -> str:
    look = "const row = document.querySelectorAll('#newest li')[arguments[0]]; row.querySelector('summary').click()"
    chrome.execute_script(look, row)
    return chrome.execute_script(
        "return document.querySelectorAll('#newest li')[arguments[0]].querySelector('pre').innerText", row
    )


def test_the_installer_reads_what_was_refused_and_why_newest_first(chrome, open_shop):
    shop = open_shop(2)
    refuse(shop, None, "unknown-saw", "The site has no saw egret.", b"[]", ago_s=60)
    refuse(shop, "heron", "not-json", "The payload is no JSON: line 1 column 2.", b"{oops")
    refuse(shop, "heron", "not-json", "The payload is no JSON: line 1 column 2.", b"{oops", ago_s=4)
    refuse(shop, "plover", "not-cbor", "The payload is no CBOR.", b"\x9f\x00\xff\x01", ago_s=1)
    look(chrome, shop)
    newest, again, oldest = rows(chrome)
    assert newest.startswith("plover\n\nMon 2 Mar 14:0")
    assert again.startswith("heron\n\n2 times, Mon 2 Mar 14:0")
    assert "The payload is no JSON: line 1 column 2." in again
    assert oldest.startswith("no saw of this shop")
    assert sent(chrome, 1) == "{oops"
    assert sent(chrome, 0) == "9f 00 ff 01"
    wide = "return Math.min(...[...document.querySelectorAll('.why')].map((why) => why.getBoundingClientRect().width))"
    assert chrome.execute_script(wide) > 400
    counts = chrome.execute_script(
        "return [...document.querySelectorAll('#ever tbody tr')].map((r) => [...r.cells].map((c) => c.innerText))"
    )
    assert counts == [
        ["no saw of this shop", "unknown-saw", "1"],
        ["heron", "not-json", "2"],
        ["plover", "not-cbor", "1"],
    ]


def test_a_new_refusal_shows_by_itself_and_what_was_opened_stays_open(chrome, open_shop):
    shop = open_shop(2)
    look(chrome, shop)
    assert not chrome.execute_script("return document.getElementById('none').hidden")
    refuse(shop, "heron", "not-json", "The payload is no JSON.", b"{oops")
    until(lambda: len(rows(chrome)) == 1)
    sent(chrome, 0)
    refuse(shop, "plover", "not-json", "The payload is no JSON.", b"{oops")
    until(lambda: len(rows(chrome)) == 2)
    assert chrome.execute_script("return [...document.querySelectorAll('#newest details')].map((d) => d.open)") == [
        False,
        True,
    ]


def test_older_ones_are_a_press_away_and_stay_when_the_page_looks_again(chrome, open_shop):
    shop = open_shop(1)
    for n in range(120):
        refuse(shop, "heron", f"bad-{n}", f"Refused for reason {n}.", b"[]", ago_s=200 - n)
    look(chrome, shop)
    assert len(rows(chrome)) == 50
    for shown in (100, 120):
        chrome.execute_script("document.getElementById('older').click()")
        until(lambda shown=shown: len(rows(chrome)) == shown)
    assert chrome.execute_script("return document.getElementById('older').hidden")
    refuse(shop, "heron", "bad-now", "Refused now.", b"[]", ago_s=0)
    until(lambda: len(rows(chrome)) == 121)
    assert [row.splitlines()[4] for row in rows(chrome)][:3] == [
        "Refused now.",
        "Refused for reason 119.",
        "Refused for reason 118.",
    ]
