"""Waiting for what comes to pass: as long as a loaded machine may need, and no longer than it takes."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any, TypeVar

from selenium.webdriver.support.ui import WebDriverWait

if TYPE_CHECKING:
    from collections.abc import Callable

    from selenium.webdriver.remote.webdriver import WebDriver

T = TypeVar("T")

ENOUGH_S = 60.0


def until(condition: Callable[[], T], seconds: float = ENOUGH_S) -> T:
    """Waits for a condition; its value."""
    deadline = time.monotonic() + seconds
    while True:
        value = condition()
        if value or time.monotonic() > deadline:
            assert value, "it did not come true in time"
            return value
        time.sleep(0.02)


def wait(chrome: WebDriver, script: str, seconds: float = ENOUGH_S) -> Any:
    """Waits until an expression is true in the page; its value."""
    return WebDriverWait(chrome, seconds, 0.05).until(lambda driver: driver.execute_script(f"return {script}"))
