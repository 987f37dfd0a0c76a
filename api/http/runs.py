"""Motor runs of a saw."""

from flask import Response
from flask_openapi3.blueprint import APIBlueprint

from api.desk import Desk
from api.http.fields import Page, PageQuery, RunRecord, SawPath, subject
from api.http.paging import fact_list

COLUMNS = tuple(name for name in RunRecord.model_fields if name != "kind")


class RunPage(Page):
    """A page of motor runs."""

    runs: list[RunRecord]


def blueprint(desk: Desk) -> APIBlueprint:
    """`/saws/{saw}/runs`."""
    bp = subject("runs")

    @bp.get("/saws/<saw>/runs", responses={200: RunPage})
    def runs(path: SawPath, query: PageQuery) -> Response:
        """Motor runs that overlap a period, in order of start."""
        return fact_list(desk, path.saw, query, ["run"], key="runs", columns=COLUMNS)

    return bp
