"""Every page in a real Chromium: in an imaginary language nothing is left in English, in Portuguese nothing sticks out."""

from __future__ import annotations

import datetime as dt
import json
import os
import re
import time
from dataclasses import replace
from pathlib import Path

import pytest
from babel import Locale
from babel.messages.pofile import write_po

from api.answers.calendar import instant, site_date
from api.desk import Desk
from api.tending import Tending
from api.tongues import catalogue
from api.tongues.manner import Show
from collector.facts import SECOND
from tests.dashboard.conftest import chrome, open_shop  # noqa: F401 (fixtures)
from tests.tongues.gather import gathered

pytestmark = pytest.mark.real

PICTURES = os.environ.get("KERFBOOK_PICTURES")
TV, LAPTOP, PHONE = (1920, 1080), (1366, 768), (390, 844)
WHERE = {
    "/": LAPTOP,
    "/tv": TV,
    "/reports": LAPTOP,
    "/logbook/heron": LAPTOP,
    "/setup/heron": LAPTOP,
    "/maintenance": LAPTOP,
    "/alerts": LAPTOP,
    "/refusals": LAPTOP,
    "/people": LAPTOP,
    "/account": LAPTOP,
    "/audit": LAPTOP,
    "/sign-in": PHONE,
    "/enter": PHONE,
    "/blades": LAPTOP,
    "/blades/TP-01": LAPTOP,
    "/blades/labels": LAPTOP,
    "/saw/heron": PHONE,
    "/saw/heron/blade": PHONE,
    "/blade/TP-01": PHONE,
}
MISFITS = (Path(__file__).parents[1] / "dashboard" / "misfits.js").read_text()
CACHES = (catalogue.languages, catalogue._read, catalogue.translations, catalogue.script)
TEXTS = """
const out = [];
const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
const hidden = (e) => e.closest("script, style, template, code, [lang]:not(html)") || (e.closest("svg") && !e.closest("text"));
while (walk.nextNode()) if (!hidden(walk.currentNode.parentElement)) out.push(walk.currentNode.data);
for (const e of document.querySelectorAll("[aria-label], [placeholder]")) out.push(e.getAttribute("aria-label") ?? e.placeholder);
return out;
"""
OURS = re.compile(
    r"Tern Point Stageworks|Heron|Plover|TP-\d+|Kerfbook|heron|plover|kerfbook\.toml|https?://\S+|mqtt|EUR|cos φ|MQTT|JSON|CSV|API|OpenAPI|AUBT|PBT|APT|\bmin\b|Letter|kWh"
)


@pytest.fixture
def shop(open_shop):  # noqa: F811
    """A shop in which there is something on every page."""
    shop = open_shop(2, moment=dt.datetime.now(dt.UTC).replace(microsecond=0))
    for saw in shop.saws:
        shop.work(saw)
    tending = Tending(Desk(shop.site, shop.book, shop.trace, shop.clock))
    today = site_date(shop.clock.us(), tending.desk.zone)
    tending.begin(instant(today - dt.timedelta(days=14), 0, tending.desk.zone))
    now = shop.clock.us()
    shop.client = shop.app.test_client()
    for tag in ("TP-01", "TP-02"):
        body = {"tag": tag, "diameter_mm": 303, "teeth": 60, "kerf_mm": 3.2, "max_rpm": 6000, "who": "operator"}
        assert shop.client.post("/api/v1/blades", json=body).status_code < 300
    said = {"key": "k1", "who": "operator", "kind": "change", "at": iso(now - 3600 * SECOND), "tag": "TP-01"}
    assert shop.client.post("/api/v1/saws/heron/blade/said", json=said).status_code < 300
    return shop


def bracketed(text: str) -> str:
    """Each piece between marks and values in brackets: the values must be told in the language as well."""
    return re.sub(
        r"(%\(\w+\)s|\{\w+\}|<[^>]+>)|((?:(?!%\(|\{\w+\}|<).)+)", lambda m: m[1] or f"⟦{m[2]}⟧", text, flags=re.S
    )


def iso(us: int) -> str:
    return dt.datetime.fromtimestamp(us / SECOND, dt.UTC).isoformat()


@pytest.fixture
def imaginary(tmp_path, monkeypatch):
    """A language, under Esperanto's code, in which every text is English in brackets."""
    texts = gathered()
    texts.locale = "eo"
    for message in texts:
        if message.id:
            message.string = bracketed(message.id) if isinstance(message.id, str) else tuple(map(bracketed, message.id))
    path = tmp_path / "locale" / "eo" / "LC_MESSAGES" / "kerfbook.po"
    path.parent.mkdir(parents=True)
    with path.open("wb") as file:
        write_po(file, texts)
    monkeypatch.setattr(catalogue, "FOLDER", tmp_path / "locale")
    for cache in CACHES:
        cache.cache_clear()
    yield "eo"
    for cache in CACHES:
        cache.cache_clear()


def show(chrome, shop, path: str, language: str, size: tuple[int, int]) -> None:  # noqa: F811
    how = {"width": size[0], "height": size[1], "deviceScaleFactor": 1, "mobile": size[0] < 700}
    chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", how)
    chrome.get(f"{shop.address}/language/{language}")
    chrome.get_log("browser")  # of pages before, whose servers are gone
    chrome.get(f"{shop.address}{path}")
    settled(chrome)
    if PICTURES:
        Path(PICTURES).mkdir(exist_ok=True)
        chrome.save_screenshot(str(Path(PICTURES) / f"{language}{path.replace('/', '-')}-{size[0]}.png"))


def settled(chrome) -> None:  # noqa: F811
    """Wait until the page's text has not changed for a second, for clocks move on without end at most ten."""
    before, since, end = "", time.monotonic(), time.monotonic() + 10
    while time.monotonic() < end and time.monotonic() - since < 1:
        now = re.sub(r"\d", "", chrome.execute_script("return document.body.innerText"))
        if now != before:
            before, since = now, time.monotonic()
        time.sleep(0.1)


@pytest.fixture(autouse=True)
def forgotten(chrome):  # noqa: F811
    yield
    chrome.delete_all_cookies()


def left(text: str) -> list[str]:
    """Words of three letters and more outside of brackets."""
    while "⟦" in text:
        shorter = re.sub(r"⟦[^⟦⟧]*⟧", " ", text)
        if shorter == text:
            break
        text = shorter
    return re.findall(r"[A-Za-z]{3,}", OURS.sub(" ", text))


@pytest.mark.parametrize("path", WHERE)
def test_no_text_is_left_in_english(chrome, shop, imaginary, path):  # noqa: F811
    show(chrome, shop, path, imaginary, WHERE[path])
    names = set(json.loads(chrome.execute_script(DATES))) | {name.lower() for name in server_names(imaginary)}
    found = [
        (words, text)
        for text in chrome.execute_script(TEXTS)
        if (words := [w for w in left(text) if w.lower() not in names])
    ]
    assert found == []


def server_names(language: str) -> set[str]:
    """Names of months and days as the server writes them."""
    locale = Locale.parse(language)
    return {
        word
        for kinds in (locale.months, locale.days)
        for widths in kinds.values()
        for names in widths.values()
        for name in names.values()
        for word in re.findall(r"[A-Za-z]{3,}", name)
    }


DATES = """
const days = [...Array(400).keys()].map((d) => new Date(2026, 0, 1 + d));
const of = (o) => days.map((d) => new Intl.DateTimeFormat(document.documentElement.lang, o).format(d));
return JSON.stringify([...new Set([{ weekday: "short" }, { weekday: "long" }, { month: "short" }, { month: "long" }].flatMap(of)
  .flatMap((t) => t.toLowerCase().match(/[a-z]{3,}/g) ?? []))]);
"""


@pytest.mark.parametrize("path", WHERE)
def test_nothing_sticks_out_in_portuguese(chrome, shop, path):  # noqa: F811
    show(chrome, shop, path, "pt", WHERE[path])
    assert chrome.execute_script("return document.documentElement.lang") == "pt-PT"
    assert chrome.execute_script("return document.documentElement.scrollWidth") <= WHERE[path][0]
    severe = [
        entry["message"]
        for entry in chrome.get_log("browser")
        if entry["level"] == "SEVERE" and "plotly" not in entry["message"]
    ]
    assert severe == []


def test_twelve_hours_and_inches_fit(chrome, shop):  # noqa: F811
    shop.go_away()
    shop.site = replace(shop.site, show=Show(hours=12, measures="inch"))
    shop.come_back()
    show(chrome, shop, "/blades", "en", LAPTOP)
    assert "11.93 in" in chrome.execute_script("return document.body.innerText")
    show(chrome, shop, "/tv", "en", TV)
    assert re.search(
        r"\b(1[0-2]|[1-9]):\d\d [ap]m\b", chrome.execute_script("return document.getElementById('clock').innerText")
    )
    assert chrome.execute_script(MISFITS) == []
