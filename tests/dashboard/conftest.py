"""Fixtures of the page tests: a real Chromium, and a workshop to look at."""

from __future__ import annotations

import os
import shutil
from typing import TYPE_CHECKING

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

from tests.dashboard.shop import Shop

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from selenium.webdriver.remote.webdriver import WebDriver

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
)


def _program(*names: str) -> str:
    found = next((path for name in names if (path := shutil.which(name))), None)
    if found is None:
        if os.environ.get("KERFBOOK_REAL") == "1":
            pytest.fail(f"KERFBOOK_REAL=1, but there is no {names[0]}")
        pytest.skip(f"needs {names[0]}")
    return found


def _chrome(folder: Path, *flags: str, performance: bool = True) -> WebDriver:
    options = Options()
    options.binary_location = _program("chromium", "chromium-browser", "google-chrome")
    for flag in (*FLAGS, *flags, f"--user-data-dir={folder}"):
        options.add_argument(flag)
    logs = {"performance": "ALL", "browser": "ALL"} if performance else {"browser": "ALL"}
    options.set_capability("goog:loggingPrefs", logs)
    return webdriver.Chrome(options=options, service=Service(_program("chromedriver")))


@pytest.fixture(scope="session")
def chrome(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WebDriver]:
    """A real Chromium without a window; its performance log lists every request."""
    driver = _chrome(tmp_path_factory.mktemp("chromium"))
    yield driver
    driver.quit()


@pytest.fixture
def still_chrome(tmp_path: Path) -> Iterator[WebDriver]:
    """A Chromium whose heap is the page's alone.

    It compiles nothing (machine code is heap too, and more of it comes as a script grows warm) and keeps no record of
    requests for the driver.
    """
    driver = _chrome(tmp_path / "still-chromium", "--js-flags=--jitless", performance=False)
    yield driver
    driver.quit()


@pytest.fixture
def open_shop(tmp_path: Path) -> Iterator[Callable[..., Shop]]:
    """Opens workshops and closes them after the test."""
    shops: list[Shop] = []

    def make(saws: int = 2, **how: object) -> Shop:
        folder = tmp_path / str(len(shops))
        folder.mkdir()
        shops.append(Shop(folder, saws, **how))
        return shops[-1]

    yield make
    for shop in shops:
        shop.close()
