"""Utilisation of a saw over a period."""

from typing import Any, Literal

import numpy as np
from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.answers.calendar import bucket_edges
from api.answers.utilisation import Utilisation, utilisation
from api.board import ratios
from api.desk import Desk
from api.http.answer import as_csv, settled, wants_csv
from api.http.asked import period_of, saw_of
from api.http.fields import Model, PeriodQuery, Ratio, SawPath, Time, also_csv, subject
from collector.facts import iso

LONGEST_DAYS = 400


class Ratios(Model):
    """Utilisation with the words of ISO 22400-2. Only planned time that has data counts."""

    allocation_efficiency: Ratio | None = Field(description="AUBT / PBT; null where nothing is planned or known.")
    availability: Ratio | None = Field(description="APT / PBT; null where nothing is planned or known.")
    utilization_efficiency: Ratio | None = Field(description="APT / AUBT; null where the saw was not in use.")
    coverage: Ratio | None = Field(description="Part of the planned time for which data exists.")
    apt_seconds: float = Field(description="Actual production time: in WORKING.")
    aubt_seconds: float = Field(
        description="Actual unit busy time: motor running, and pauses between two cuts below the busy gap."
    )
    pbt_seconds: float = Field(description="Planned busy time that has data.")
    planned_seconds: float = Field(description="Planned busy time up to now, whether or not it has data.")
    extra_seconds: float = Field(description="Actual unit busy time outside the plan.")


class UtilisationBucket(Ratios):
    """Utilisation of one hour, day or week of the site."""

    start: Time
    end: Time


class UtilisationAnswer(Model):
    """Utilisation of a period as a whole and bucket by bucket."""

    model_config = also_csv("Utilisation; the CSV has a row a bucket.")

    saw: str
    from_: Time = Field(alias="from")
    to: Time
    by: Literal["hour", "day", "week"]
    busy_gap_seconds: float
    total: Ratios
    buckets: list[UtilisationBucket]


class UtilisationQuery(PeriodQuery):
    """How the period is divided."""

    by: Literal["hour", "day", "week"] = Field("day", description="Buckets, in site time; weeks begin on Monday.")
    format: Literal["json", "csv"] | None = Field(None, description="Overrides the Accept header.")


def blueprint(desk: Desk) -> APIBlueprint:
    """`/saws/{saw}/utilisation`."""
    bp = subject("utilisation")

    @bp.get("/saws/<saw>/utilisation", responses={200: UtilisationAnswer})
    def utilisation_of(path: SawPath, query: UtilisationQuery) -> Response:
        """Availability, allocation efficiency, utilization efficiency and coverage of a period."""
        saw = saw_of(desk, path.saw)
        start, end = period_of(desk, query, LONGEST_DAYS)
        edges = bucket_edges(start, end, query.by, desk.zone)
        entry = desk.book.now(saw.name)
        extent = desk.extent(saw.name, entry)
        now = desk.now()
        act = desk.activity(saw.name, start, end, extent.last or now, entry)
        plan, until = desk.planned(start, end), extent.counted_until(now)
        gap = desk.site.busy_gap
        buckets = [_row(u) for u in utilisation(act, plan, edges, gap, until)]
        if wants_csv(query.format):
            return as_csv(f"{saw.name}-utilisation", list(UtilisationBucket.model_fields), buckets)
        (whole,) = utilisation(act, plan, np.array([start, end]), gap, until)
        return settled(
            {
                "saw": saw.name,
                "from": iso(start),
                "to": iso(end),
                "by": query.by,
                "busy_gap_seconds": desk.site.busy_gap_seconds,
                "total": ratios(whole),
                "buckets": buckets,
            }
        )

    return bp


def _row(use: Utilisation) -> dict[str, Any]:
    return {"start": iso(use.start), "end": iso(use.end), **ratios(use)}
