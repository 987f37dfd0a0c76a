"""A plugin of pytest: one line for each fault that is tried, as it ends."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pytest


def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    if report.when == "call" or not report.passed:
        name = report.nodeid.split("::")[1].removeprefix("test_").replace("_", " ")
        print(f"{report.outcome:<8} {report.duration:6.1f} s  {name}", flush=True)
        if report.failed:
            print(report.longreprtext, flush=True)
