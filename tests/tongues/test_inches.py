"""A blade's form where lengths are inches: what is typed is what is shown again, and what is kept stays as it was."""

from __future__ import annotations

from dataclasses import replace

import pytest
from selenium.webdriver.support.ui import WebDriverWait

from api.tongues.manner import Show
from tests.dashboard.conftest import chrome, open_shop  # noqa: F401 (fixtures)
from tests.waiting import wait

pytestmark = pytest.mark.real

# Both ways, on numbers of a fixed sequence: every length of the form's range to a thousandth of a millimetre, and to a
# ten-thousandth of an inch. The inch is 25.4 mm exactly (international yard and pound agreement, 1959).
LAW = """
const done = arguments[0];
import("/static/rack/measures.js").then(({ inchOf, mmOf, feetOf, metresOf }) => {
  const wrong = [];
  let x = 1;
  const next = (most) => { x = (x * 48271) % 2147483647; return 1 + (x % most); };
  for (let i = 0; i < 40000; i += 1) {
    const mm = next(2000000) / 1000, inch = next(787400) / 10000, metres = next(1000000);
    if (mmOf(inchOf(mm)) !== mm) wrong.push(["mm", mm, inchOf(mm)]);
    if (Number(inchOf(mmOf(inch))) !== inch) wrong.push(["inch", inch, mmOf(inch)]);
    if (metresOf(feetOf(metres)) !== metres) wrong.push(["metres", metres, feetOf(metres)]);
  }
  done([wrong.slice(0, 5), inchOf(300), inchOf(254), mmOf("11.81"), feetOf(3000)]);
}, (error) => done([String(error)]));
"""


@pytest.fixture
def shop(open_shop):  # noqa: F811
    shop = open_shop(2)
    shop.go_away()
    shop.site = replace(shop.site, show=Show(measures="inch"))
    shop.come_back()
    return shop


def test_lengths_come_back_as_they_went_in(chrome, shop):  # noqa: F811
    chrome.get(f"{shop.address}/blades")
    wrong, *worked = chrome.execute_async_script(LAW)
    assert wrong == []
    # 300 / 25.4 = 11.811023…; 254 mm are 10 inches; 11.81 in = 299.974 mm; 3000 m / 0.3048 = 9842.5 ft
    assert worked == ["11.81102", "10", 299.974, "9843"]


def test_a_blade_entered_in_inches_is_kept_in_millimetres_and_shown_in_inches(chrome, shop):  # noqa: F811
    chrome.get(f"{shop.address}/blades")
    wait(chrome, "document.querySelector('form.sheet [name=group]').options.length > 0")
    assert "diameter, in" in chrome.execute_script("return document.querySelector('form.sheet').textContent")
    fill = (
        "for (const [n, v] of Object.entries(arguments[0])) document.querySelector('form.sheet').elements[n].value = v;"
    )
    chrome.execute_script(
        fill + "document.querySelector('form.sheet').requestSubmit()",
        {"tag": "TP-31", "diameter_mm": "11.81", "kerf_mm": "0.126", "teeth": "72", "limit_metres": "9843"},
    )
    sheet = "fetch('/api/v1/blades/TP-31').then((r) => r.ok ? r.json() : null)"
    ask = f"const done = arguments[0]; {sheet}.then(done)"
    kept = WebDriverWait(chrome, 30, 0.1).until(lambda driver: driver.execute_async_script(ask))
    assert (kept["diameter_mm"], kept["kerf_mm"], kept["limits"]["metres"]) == (299.974, 3.2, 3000)
    chrome.get(f"{shop.address}/blades/TP-31")
    value = "document.querySelector('form.sheet').elements.diameter_mm.value"
    assert wait(chrome, value) == "11.81"
    chrome.execute_script(fill + "document.querySelector('form.sheet').requestSubmit()", {"teeth": "60"})
    WebDriverWait(chrome, 30, 0.1).until(lambda driver: driver.execute_async_script(ask)["teeth"] == 60)
    assert chrome.execute_async_script(ask)["diameter_mm"] == 299.974
