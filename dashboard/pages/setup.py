"""The setup page of a saw: watch its live current, follow five steps, keep what they say."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, abort, redirect, render_template, url_for

from dashboard.pages import plotly

if TYPE_CHECKING:
    from werkzeug.wrappers import Response as Answer

    from dashboard.pages.screen import Screen


def setup_pages(screen: Screen) -> Blueprint:
    """``/setup`` and ``/setup/{saw}``; the times of the steps stand in the page's address."""
    pages = Blueprint("setup", __name__)

    @pages.get("/setup")
    def first() -> Answer:
        if not screen.saws:
            abort(404)
        return redirect(url_for("setup.of", saw=screen.saws[0].name))

    @pages.get("/setup/<saw>")
    def of(saw: str) -> str:
        found = next((s for s in screen.saws if s.name == saw), None)
        if found is None:
            abort(404)
        return render_template("setup.html", screen=screen, saw=found, plotly_version=plotly.version())

    return pages
