"""The control chart of a blade."""

import math

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.desk import Desk
from api.http.answer import settled
from api.http.blade_fields import BladePath, WearRecord, blade_of, wear_record
from api.http.fields import Model, Strict, Time, subject
from api.http.problems import Problem
from api.rack import Rack
from api.tongues.say import gettext, later
from collector.facts import iso

METHOD = later(
    "EWMA of log load above idle, less what duration and direction tell, against the blade's first cuts after "
    "sharpening; limit 2.9 deviations of the average."
)


class WearPoint(Model):
    """One cut on the chart."""

    t: Time
    ratio: float = Field(description="Its load against the fresh blade's, for a cut of its duration and direction.")
    average: float = Field(description="Moving average.")
    heavier: bool = Field(description="Whether the signal was on.")


class WearAnswer(WearRecord):
    """A blade's control chart."""

    tag: str
    service: int
    method: str
    limit: float | None = Field(description="Average above which it cuts heavier than when fresh.")
    points: list[WearPoint]


class WearQuery(Strict):
    """Which service."""

    service: int | None = Field(None, ge=0, le=1000, description="0: the new blade; default: the newest.")


def blueprint(desk: Desk, rack: Rack) -> APIBlueprint:
    """`/blades/{tag}/wear`."""
    bp = subject("blade_wear")

    @bp.get("/blades/<tag>/wear", responses={200: WearAnswer})
    def wear(path: BladePath, query: WearQuery) -> Response:
        """The control chart of a blade's service."""
        life, now = blade_of(rack, path.tag), desk.now()
        number = life.service.number if query.service is None else query.service
        if number >= len(life.services):
            raise Problem(
                "not-found",
                gettext(
                    "{tag} was sharpened {times} times; it has no service {number}.",
                    tag=path.tag,
                    times=life.sharpenings,
                    number=number,
                ),
            )
        found = rack.wear(life.services[number], now)
        points, limit = [], None
        if found.chart is not None:
            c = found.chart
            limit = round(math.exp(c.limit), 4)
            points = [
                {"t": iso(t), "ratio": round(math.exp(x), 3), "average": round(math.exp(z), 4), "heavier": on}
                for t, x, z, on in zip(c.start.tolist(), c.figure.tolist(), c.z.tolist(), c.on.tolist(), strict=True)
            ]
        head = {"tag": path.tag, "service": number, "method": gettext(METHOD), "limit": limit}
        return settled({**head, **wear_record(found), "points": points})

    return bp
