"""The web application: assembles the API and the screens, and decides nothing."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from flask import Blueprint, Flask

from api.app import create_api
from dashboard.pages.headers import add_headers
from dashboard.pages.plotly import plotly_pages
from dashboard.pages.screen import Screen
from dashboard.pages.start import start_pages
from dashboard.pages.tv import tv_pages
from dashboard.pages.upkeep import upkeep_pages

if TYPE_CHECKING:
    from api.desk import Clock
    from api.site import Site
    from collector.trace.store import TraceStore


def create_app(site: Site, book_url: str, trace: TraceStore, broker: str, *, clock: Clock = time) -> Flask:
    """The whole application of a site.

    Args:
        site: the workshop.
        book_url: SQLAlchemy address of the book.
        trace: the trace.
        broker: where boxes publish, for people to read.
        clock: the present; a module or object with ``time()``.
    """
    app = create_api(book_url, trace, site, clock=clock)
    screen = Screen(site.name, site.title, site.saws, broker)
    screens = Blueprint(
        "screens", "dashboard", static_folder="static", static_url_path="/static", template_folder="templates"
    )
    for pages in (screens, start_pages(screen), tv_pages(screen), upkeep_pages(screen, site.zone), plotly_pages()):
        app.register_blueprint(pages)
    add_headers(app)
    return app
