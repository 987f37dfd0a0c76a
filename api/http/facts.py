"""All facts of a saw."""

from typing import Literal

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.desk import Desk
from api.http.fields import (
    ConflictRecord,
    CutRecord,
    DoorVisitRecord,
    GapRecord,
    Page,
    PageQuery,
    RunRecord,
    SawPath,
    subject,
)
from api.http.paging import fact_list

RECORDS = (RunRecord, CutRecord, DoorVisitRecord, ConflictRecord, GapRecord)
COLUMNS = tuple(dict.fromkeys(name for record in RECORDS for name in record.model_fields))


class FactsQuery(PageQuery):
    """The kinds of facts on the page."""

    kind: list[Literal["run", "cut", "door_visit", "conflict", "gap"]] | None = Field(
        None, description="Kinds of facts; give it several times for several. Default: all."
    )


class FactPage(Page):
    """A page of facts."""

    facts: list[RunRecord | CutRecord | DoorVisitRecord | ConflictRecord | GapRecord]


def blueprint(desk: Desk) -> APIBlueprint:
    """`/saws/{saw}/facts`."""
    bp = subject("facts")

    @bp.get("/saws/<saw>/facts", responses={200: FactPage})
    def facts(path: SawPath, query: FactsQuery) -> Response:
        """Facts that overlap a period, in order of start, in the form that `kerfbook replay` prints."""
        return fact_list(desk, path.saw, query, query.kind, key="facts", columns=COLUMNS)

    return bp
