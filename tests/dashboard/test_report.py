"""The report page in a real Chromium: every period has an address, it prints on one sheet, and it leads to the logbook."""

from __future__ import annotations

import base64
import csv
import io
import json
import os
import urllib.request
from pathlib import Path

import pypdfium2
import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import WebDriverWait

from collector.facts import State

pytestmark = pytest.mark.real

LAPTOP = {"width": 1366, "height": 768, "deviceScaleFactor": 1, "mobile": False}
PICTURES = os.environ.get("KERFBOOK_PICTURES")
PAPER = {"A4": (8.27, 11.69), "Letter": (8.5, 11.0)}
LONG = "2026-02-16..2026-03-08"


def show(chrome, shop, path: str, name: str = "") -> None:
    chrome.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", LAPTOP)
    chrome.get(f"{shop.address}{path}")
    if PICTURES and name:
        Path(PICTURES).mkdir(exist_ok=True)
        chrome.save_screenshot(str(Path(PICTURES) / f"{name}.png"))


@pytest.fixture
def shop(open_shop):
    shop = open_shop(2)
    shop.work("heron", State.READY, hours=5.5)
    shop.work("plover", State.STANDBY, hours=4.0)
    return shop


def get(address: str, **headers: str) -> str:
    with urllib.request.urlopen(urllib.request.Request(address, headers=headers)) as answer:
        return answer.read().decode()


def text(chrome, selector: str) -> str:
    return chrome.find_element(By.CSS_SELECTOR, selector).text


def test_a_week_shows_the_share_in_use_with_its_coverage_and_why_not(chrome, shop):
    show(chrome, shop, "/reports", "report-week")
    found = json.loads(get(f"{shop.address}/api/v1/report"))
    share = f"{round(100 * found['total']['allocation_efficiency'])} %"
    assert text(chrome, "#figure b") == share
    assert "data for" in text(chrome, "#figure")
    assert "Week 10, 2 to 8 March 2026" in text(chrome, "#which h2")
    assert "not over yet" in text(chrome, "#which")
    assert [row.split()[0] for row in text(chrome, "#why table").splitlines() if row[0].isalpha()][:2] == [
        "motor",
        "counts",
    ]
    assert not chrome.execute_script("return document.documentElement.scrollWidth > innerWidth")
    chrome.find_element(By.CSS_SELECTOR, "#formula summary").click()
    assert "AUBT ÷ PBT" in text(chrome, "#formula")
    if PICTURES:
        chrome.save_screenshot(str(Path(PICTURES) / "report-formula.png"))


def test_a_long_stretch_leads_into_the_logbook(chrome, shop):
    show(chrome, shop, "/reports?period=2026-03-02")
    chrome.find_element(By.CSS_SELECTOR, "#why li a").click()
    WebDriverWait(chrome, 20, 0.05).until(lambda driver: "/logbook/" in driver.current_url)
    assert "from=2026-03-02T" in chrome.current_url


def test_days_saws_and_comparison_stand_in_the_address(chrome, shop):
    show(chrome, shop, "/reports?against=before")
    chrome.find_element(By.CSS_SELECTOR, "#choose summary").click()
    chrome.execute_script(
        "const f = document.querySelector('#choose form'); f.first.value = '2026-03-01'; f.last.value = '2026-03-03';"
        "f.querySelector('[value=plover]').checked = false;"
    )
    chrome.find_element(By.CSS_SELECTOR, "#choose button").click()
    WebDriverWait(chrome, 20, 0.05).until(lambda driver: "period=2026-03-01..2026-03-03" in driver.current_url)
    assert "saws=heron" in chrome.current_url
    assert "against=2026-W09" in chrome.current_url
    assert "no figure against Week 9, 23 February to 1 March 2026" in text(chrome, "#figure")
    assert text(chrome, "#saws tbody").count("Heron") == 1


@pytest.mark.parametrize("paper", PAPER)
@pytest.mark.parametrize(
    ("saws", "query"), [(2, "period=2026-W10"), (6, f"period={LONG}&against=before"), (1, "period=2026")]
)
def test_it_prints_on_one_sheet(chrome, open_shop, paper, saws, query):
    shop = open_shop(saws)
    for saw in shop.saws:
        shop.work(saw)
    show(chrome, shop, f"/reports?{query}", f"report-{saws}")
    chrome.find_element(By.CSS_SELECTOR, "#formula summary").click()
    width, height = PAPER[paper]
    pdf = chrome.execute_cdp_cmd(
        "Page.printToPDF",
        {"paperWidth": width, "paperHeight": height, "printBackground": True, "preferCSSPageSize": False},
    )
    document = pypdfium2.PdfDocument(base64.b64decode(pdf["data"]))
    assert len(document) == 1
    page = document[0].get_textpage().get_text_bounded()
    assert "The longest stretches" in page
    assert "AUBT" in page
    assert "no safety device" in page
    if PICTURES:
        (Path(PICTURES) / f"report-{saws}-{paper}.pdf").write_bytes(base64.b64decode(pdf["data"]))


def test_the_csv_has_a_row_for_each_day_and_saw(shop):
    told = get(f"{shop.address}/api/v1/report?period=2026-W10", Accept="text/csv")
    rows = list(csv.DictReader(io.StringIO(told)))
    assert [(r["from"], r["saw"]) for r in rows[:3]] == [
        ("2026-03-02", "heron"),
        ("2026-03-02", "plover"),
        ("2026-03-03", "heron"),
    ]
    assert len(rows) == 14
    assert float(rows[0]["allocation_efficiency"]) > 0.3


@pytest.mark.parametrize(("query", "status"), [("period=soon", 400), ("against=1", 400), ("saws=egret", 404)])
def test_what_cannot_be_shown_is_refused(shop, query, status):
    with pytest.raises(urllib.error.HTTPError) as refused:
        get(f"{shop.address}/reports?{query}")
    assert refused.value.code == status
    refused.value.close()
