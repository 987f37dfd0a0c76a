"""``/metrics``: for Prometheus and whatever else reads its format or OpenMetrics."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from flask import Response, request
from sqlalchemy.exc import SQLAlchemyError

from api.http.problems import Problem
from api.tongues.say import gettext

if TYPE_CHECKING:
    from flask import Flask
    from prometheus_client import CollectorRegistry

    from api.desk import Desk
    from api.live import Live
    from api.vitals import Vitals


def add_metrics(app: Flask, desk: Desk, live: Live, vitals: Vitals) -> None:
    """Answer at ``/metrics``. The library is loaded with the first scrape: most workshops never scrape."""
    made: list[CollectorRegistry] = []
    lock = threading.Lock()

    def registry() -> CollectorRegistry:
        with lock:
            if not made:
                from prometheus_client import CollectorRegistry, ProcessCollector  # noqa: PLC0415

                from api.metrics import Metrics  # noqa: PLC0415

                new = CollectorRegistry()
                ProcessCollector(registry=new)
                new.register(Metrics(desk, live, vitals))
                made.append(new)
            return made[0]

    def metrics() -> Response:
        from prometheus_client.exposition import choose_encoder  # noqa: PLC0415

        encode, kind = choose_encoder(request.headers.get("Accept", ""))
        try:
            body = encode(registry())
        except SQLAlchemyError as error:
            raise Problem(
                "store-unavailable", gettext("Reading the book failed: {error}.", error=type(error).__name__)
            ) from error
        return Response(body, content_type=kind, headers={"Cache-Control": "no-store"})

    app.add_url_rule("/metrics", "metrics", metrics)
