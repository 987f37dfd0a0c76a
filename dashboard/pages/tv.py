"""The wall screen: one page that nobody touches, read from five metres."""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import Blueprint, Response, render_template

from dashboard.pages import plotly
from dashboard.pages.release import release

if TYPE_CHECKING:
    from dashboard.pages.screen import Screen


def tv_pages(screen: Screen) -> Blueprint:
    """``/tv``, and ``/tv/release`` by which an open screen learns that the server has a newer page."""
    pages = Blueprint("tv", __name__)

    @pages.get("/tv")
    def wall() -> str:
        return render_template("tv.html", screen=screen, release=release(), plotly_version=plotly.version())

    @pages.get("/tv/release")
    def current() -> Response:
        return Response(release(), mimetype="text/plain", headers={"Cache-Control": "no-store"})

    return pages
