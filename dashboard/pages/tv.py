"""The wall screen: one page that nobody touches, read from five metres."""

from __future__ import annotations

from flask import Blueprint, Response, current_app, render_template

from dashboard.pages import plotly
from dashboard.pages.release import release

pages = Blueprint("tv", __name__)


@pages.get("/tv")
def wall() -> str:
    """The page; its numbers come from ``/api/v1/wall`` and ``/api/v1/stream``."""
    screen = current_app.config["SCREEN"]
    return render_template(
        "tv.html",
        title=screen.title,
        site=screen.site,
        saws=screen.saws,
        broker=screen.broker,
        release=release(),
        plotly_version=plotly.version(),
    )


@pages.get("/tv/release")
def tv_release() -> Response:
    """Which release of the page this server has."""
    return Response(release(), mimetype="text/plain", headers={"Cache-Control": "no-store"})
