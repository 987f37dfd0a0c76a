"""Utilisation of a saw over a period."""

from typing import Any, Literal

import numpy as np
from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.answers.calendar import Bucket, bucket_edges
from api.answers.measures import Measures
from api.answers.utilisation import Utilisation
from api.board import ratios
from api.desk import Desk
from api.http.answer import as_csv, settled, wants_csv
from api.http.asked import period_of, saw_of
from api.http.fields import Model, PeriodQuery, Ratio, SawPath, Time, also_csv, subject
from api.sums import Sums
from collector.facts import iso

LONGEST_DAYS = 400
LONGEST_SUMMED = 3660
"""Whole days are kept as sums, so that years of them are added up quickly."""


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
    """Utilisation of one hour, shift, day, week or month of the site."""

    start: Time
    end: Time
    shift: str | None = Field(None, description="Name or hours of the shift; null where buckets are no shifts.")


class UtilisationAnswer(Model):
    """Utilisation of a period as a whole and bucket by bucket."""

    model_config = also_csv("Utilisation; the CSV has a row a bucket.")

    saw: str
    from_: Time = Field(alias="from")
    to: Time
    by: Literal["hour", "shift", "day", "week", "month"]
    busy_gap_seconds: float
    total: Ratios
    buckets: list[UtilisationBucket]


class UtilisationQuery(PeriodQuery):
    """How the period is divided."""

    by: Literal["hour", "shift", "day", "week", "month"] = Field(
        "day", description="Buckets, in site time; weeks begin on Monday; shifts are those that began in the period."
    )
    format: Literal["json", "csv"] | None = Field(None, description="Overrides the Accept header.")


def blueprint(desk: Desk, sums: Sums) -> APIBlueprint:
    """`/saws/{saw}/utilisation`."""
    bp = subject("utilisation")

    @bp.get("/saws/<saw>/utilisation", responses={200: UtilisationAnswer})
    def utilisation_of(path: SawPath, query: UtilisationQuery) -> Response:
        """Availability, allocation efficiency, utilization efficiency and coverage of a period."""
        saw = saw_of(desk, path.saw)
        start, end = period_of(desk, query, LONGEST_DAYS if query.by in {"hour", "shift"} else LONGEST_SUMMED)
        buckets = _shifts(saw.name, start, end) if query.by == "shift" else _buckets(saw.name, start, end, query.by)
        if wants_csv(query.format):
            return as_csv(f"{saw.name}-utilisation", list(UtilisationBucket.model_fields), buckets)
        whole = Measures.of(sums.measures(saw.name, np.array([start, end], np.int64))[0])
        return settled(
            {
                "saw": saw.name,
                "from": iso(start),
                "to": iso(end),
                "by": query.by,
                "busy_gap_seconds": desk.site.busy_gap_seconds,
                "total": ratios(whole.utilisation(start, end)),
                "buckets": buckets,
            }
        )

    def _buckets(saw: str, start: int, end: int, by: Bucket) -> list[dict[str, Any]]:
        edges = bucket_edges(start, end, by, desk.zone)
        rows = zip(edges[:-1].tolist(), edges[1:].tolist(), sums.measures(saw, edges), strict=True)
        return [_row(Measures.of(row).utilisation(a, b)) for a, b, row in rows]

    def _shifts(saw: str, start: int, end: int) -> list[dict[str, Any]]:
        found = sums.shifts(saw, desk.day(start), desk.day(end - 1))
        return [
            _row(s.measures.utilisation(s.start, s.end), s.shift.name or s.shift.clock)
            for s in found
            if start <= s.start < end
        ]

    return bp


def _row(use: Utilisation, shift: str | None = None) -> dict[str, Any]:
    return {"start": iso(use.start), "end": iso(use.end), "shift": shift, **ratios(use)}
