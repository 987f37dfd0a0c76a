"""The API as a Flask application, ready for pages to be added beside it."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, cast

from api.blade_watch import wear_sign
from api.board import Board
from api.desk import Clock, Desk, TraceReader
from api.door.door import Door
from api.door.guest import Visitors
from api.http import (
    accounts,
    alerts,
    at_hand,
    audit_trail,
    badges,
    blade_books,
    blade_said,
    blade_wear,
    blades,
    calibration,
    cuts,
    facts,
    faults,
    feeds,
    health,
    maintenance,
    marks,
    own,
    refusals,
    report,
    runs,
    saw_blade,
    saws,
    signing,
    stream,
    tasks,
    ticks,
    trace,
    utilisation,
    wall,
)
from api.http.answer import settled
from api.http.description import Description, application
from api.http.gate import Gate
from api.http.metrics import add_metrics
from api.http.problems import install
from api.live import MAX_STREAMS, TICK_SECONDS, Live
from api.rack import Rack
from api.reporting import Reporting
from api.request_id import add_request_ids
from api.strip import Strip
from api.sums import Sums
from api.tending import Tending
from api.usual import UsualDays
from api.vitals import Vitals
from collector.book.book import Book
from collector.book.people import PeopleBook
from collector.detect.settings import DetectSettings

if TYPE_CHECKING:
    from flask import Flask
    from flask_openapi3.blueprint import APIBlueprint
    from flask_openapi3.openapi import OpenAPI

    from api.site import Site

PREFIX = "/api/v1"
EXTENSION = "kerfbook.api"
BLADES = "kerfbook.blades"
TENDING = "kerfbook.tending"
REPORTING = "kerfbook.reporting"
VITALS = "kerfbook.vitals"


def create_api(
    book_url: str,
    trace_store: TraceReader,
    site: Site,
    *,
    clock: Clock = time,
    max_streams: int = MAX_STREAMS,
    tick_seconds: float = TICK_SECONDS,
    detection: DetectSettings | None = None,
    visitors: Visitors = Visitors.NOBODY,
    address: str | None = None,
) -> OpenAPI:
    """A Flask application that answers below ``/api/v1`` and at ``/healthz``.

    Pages are added to it with ``register_blueprint``; errors at their addresses stay theirs. `close_api` ends
    what it started.

    Args:
        book_url: database URL of the book.
        trace_store: the trace store; its ``read`` must work from several threads.
        site: the site that the answers are about.
        clock: the present; a module or object with ``time()``.
        max_streams: live streams open at once; the web server needs more threads than this, for each stream
            holds one (`dashboard.web`).
        tick_seconds: time between two signs of life of a stream.
        detection: the configured settings of the detector; None: the usual ones.
        visitors: what people without an account may do.
        address: by which people reach the server, where it is not the one they ask at.

    Raises:
        collector.book.entries.BookError: the book cannot be opened.
    """
    desk = Desk(site, Book(book_url), trace_store, clock)
    rack = Rack(desk)
    tending = Tending(desk)
    tending.add_sign("blade-wear", wear_sign(rack))
    reporting = Reporting(desk, Sums(desk))
    board = Board(desk, rack, Strip(tending), UsualDays(desk, reporting.sums))
    live = Live(desk, board, limit=max_streams, tick_seconds=tick_seconds)
    app = application()
    add_request_ids(app)
    install(app)
    door = Door(PeopleBook(desk.book), desk.now)
    door.tidy()
    gate = Gate(app, door, desk.now, visitors, address)
    vitals = Vitals()

    def parts() -> list[tuple[APIBlueprint, str]]:
        subjects = [
            saws.blueprint(desk),
            cuts.blueprint(desk),
            runs.blueprint(desk),
            facts.blueprint(desk),
            marks.blueprint(desk),
            calibration.blueprint(desk, detection or DetectSettings()),
            utilisation.blueprint(desk, reporting.sums),
            report.blueprint(desk, reporting),
            trace.blueprint(desk),
            wall.blueprint(desk, board),
            blades.blueprint(desk, rack),
            blade_said.blueprint(desk, rack),
            blade_wear.blueprint(desk, rack),
            blade_books.blueprint(desk, rack),
            saw_blade.blueprint(desk, rack),
            faults.blueprint(desk),
            at_hand.blueprint(desk, board, rack, tending),
            refusals.blueprint(desk),
            stream.blueprint(live),
            maintenance.blueprint(tending),
            ticks.blueprint(tending),
            tasks.blueprint(tending),
            feeds.blueprint(tending),
            alerts.blueprint(tending),
            health.problems_blueprint(),
            signing.blueprint(gate),
            own.blueprint(door),
            accounts.blueprint(door),
            badges.blueprint(door),
            audit_trail.blueprint(door, desk, tending),
        ]
        return [*((subject, PREFIX) for subject in subjects), (health.blueprint(desk, vitals), "")]

    for subject, prefix in parts():
        app.register_blueprint(subject, url_prefix=prefix)
    add_metrics(app, desk, live, vitals)
    description = Description(parts)
    app.add_url_rule(f"{PREFIX}/openapi.json", "openapi", lambda: settled(description()))
    app.extensions[EXTENSION] = (desk, live)
    app.extensions[BLADES] = rack
    app.extensions[TENDING] = tending
    app.extensions[REPORTING] = reporting
    app.extensions[VITALS] = vitals
    return app


def rack_of(app: Flask) -> Rack:
    """The blades of an application that `create_api` made."""
    return cast("Rack", app.extensions[BLADES])


def tending_of(app: Flask) -> Tending:
    """The maintenance of an application that `create_api` made."""
    return cast("Tending", app.extensions[TENDING])


def desk_of(app: Flask) -> Desk:
    """Site, stores and clock of an application that `create_api` made."""
    desk, _ = cast("tuple[Desk, Live]", app.extensions[EXTENSION])
    return desk


def reporting_of(app: Flask) -> Reporting:
    """The reports of an application that `create_api` made."""
    return cast("Reporting", app.extensions[REPORTING])


def vitals_of(app: Flask) -> Vitals:
    """What an application that `create_api` made tells of its process; whoever starts more beside it says so here."""
    return cast("Vitals", app.extensions[VITALS])


def close_api(app: Flask) -> None:
    """Ends the live streams and closes the book of an application that `create_api` made."""
    desk, live = cast("tuple[Desk, Live]", app.extensions[EXTENSION])
    live.close()
    desk.book.close()
