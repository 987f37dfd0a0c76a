"""The web application: assembles the API and the screens, and decides nothing."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from flask import Blueprint, Flask

from api.app import create_api, rack_of, reporting_of
from api.door.guest import Visitors
from api.http.gate import gate_of
from api.http.problems import answer_pages
from dashboard.pages.blades import blade_pages
from dashboard.pages.door import door_pages, turning_away
from dashboard.pages.headers import add_headers
from dashboard.pages.labels import label_pages
from dashboard.pages.logbook import logbook_pages
from dashboard.pages.lost import lost
from dashboard.pages.needs import NEEDS
from dashboard.pages.plotly import plotly_pages
from dashboard.pages.refusals import refusal_pages
from dashboard.pages.report import report_pages
from dashboard.pages.saw import saw_pages
from dashboard.pages.screen import Screen
from dashboard.pages.security import security_pages
from dashboard.pages.setup import setup_pages
from dashboard.pages.speech import add_speech
from dashboard.pages.start import start_pages
from dashboard.pages.tending import tending_pages
from dashboard.pages.tv import tv_pages

if TYPE_CHECKING:
    from api.desk import Clock
    from api.site import Site
    from collector.detect.settings import DetectSettings
    from collector.trace.store import TraceStore


def create_app(
    site: Site,
    book_url: str,
    trace: TraceStore,
    broker: str,
    *,
    clock: Clock = time,
    detection: DetectSettings | None = None,
    visitors: Visitors = Visitors.NOBODY,
    address: str | None = None,
    contact: str | None = None,
) -> Flask:
    """The whole application of a site.

    Args:
        site: the workshop.
        book_url: SQLAlchemy address of the book.
        trace: the trace.
        broker: where boxes publish, for people to read.
        clock: the present; a module or object with ``time()``.
        detection: the configured settings of the detector; None: the usual ones.
        visitors: what people without an account may do.
        address: by which people reach the screens, where it is not the one they ask at.
        contact: where people report weaknesses; None: nowhere is told.
    """
    app = create_api(book_url, trace, site, clock=clock, detection=detection, visitors=visitors, address=address)
    screen = Screen(site.name, site.title, site.saws, broker)
    screens = Blueprint(
        "screens", "dashboard", static_folder="static", static_url_path="/static", template_folder="templates"
    )
    pages_of_saws = (tv_pages(screen), saw_pages(screen, site.zone), logbook_pages(screen), setup_pages(screen))
    pages_of_blades = (blade_pages(screen, site.zone), label_pages(screen, rack_of(app).tags))
    tending = tending_pages(screen, site.zone)
    reports = report_pages(screen, reporting_of(app), site.tz)
    for pages in (
        screens,
        start_pages(screen),
        *pages_of_saws,
        *pages_of_blades,
        tending,
        refusal_pages(screen, site.zone),
        reports,
        door_pages(screen, address, site.zone),
        security_pages(contact, address, clock),
        plotly_pages(),
    ):
        app.register_blueprint(pages)
    gate_of(app).add(NEEDS, turning_away(screen))
    answer_pages(app, lost(screen))
    add_headers(app, secure=gate_of(app).secure)
    add_speech(app, site.show, site.zone)
    return app
