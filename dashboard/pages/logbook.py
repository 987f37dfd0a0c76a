"""The logbook: one saw's trace with its cuts drawn over it, where people say what is wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, Response, abort, redirect, render_template, url_for

from dashboard.pages import plotly

if TYPE_CHECKING:
    from werkzeug.wrappers import Response as Answer

    from dashboard.pages.screen import Screen


def logbook_pages(screen: Screen) -> Blueprint:
    """``/logbook`` and ``/logbook/{saw}``; its period, ``?from&to``, is read by the page's script."""
    pages = Blueprint("logbook", __name__)

    @pages.get("/logbook")
    def first() -> Answer:
        if not screen.saws:
            abort(404)
        return redirect(url_for("logbook.of", saw=screen.saws[0].name))

    @pages.get("/logbook/<saw>")
    def of(saw: str) -> str | Response:
        found = next((s for s in screen.saws if s.name == saw), None)
        if found is None:
            abort(404)
        return render_template("logbook.html", screen=screen, saw=found, plotly_version=plotly.version())

    return pages
