"""Cuts of a saw."""

from flask import Response
from flask_openapi3.blueprint import APIBlueprint

from api.desk import Desk
from api.http.fields import CutRecord, Page, PageQuery, SawPath, subject
from api.http.paging import fact_list

COLUMNS = tuple(name for name in CutRecord.model_fields if name != "kind")


class CutPage(Page):
    """A page of cuts."""

    cuts: list[CutRecord]


def blueprint(desk: Desk) -> APIBlueprint:
    """`/saws/{saw}/cuts`."""
    bp = subject("cuts")

    @bp.get("/saws/<saw>/cuts", responses={200: CutPage})
    def cuts(path: SawPath, query: PageQuery) -> Response:
        """Cuts that overlap a period, in order of start."""
        return fact_list(desk, path.saw, query, ["cut"], key="cuts", columns=COLUMNS)

    return bp
