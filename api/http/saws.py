"""The saws of the site, their present, and their states over a period."""

from typing import Any

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.answers.states import Mode, timeline
from api.board import present
from api.desk import Desk
from api.http.answer import live, settled
from api.http.asked import period_of, saw_of
from api.http.fields import Model, PeriodQuery, SawPath, Time, subject
from api.site import SawTitle
from collector.book.entries import NowEntry
from collector.facts import State, iso

LONGEST_DAYS = 31


class SawNow(Model):
    """A saw and its present."""

    saw: str
    title: str
    state: State = Field(description="OFFLINE once nothing was heard of the box for 15 s.")
    mode: Mode = Field(description="SETUP while the blade door is open.")
    since: Time | None = Field(description="When the state began; null where the box was never heard.")
    last_reading: Time | None
    age_seconds: float | None = Field(ge=0, description="Age of the newest reading, by the box's clock.")
    late_seconds: float | None = Field(
        ge=0, description="How long after its time it was received, 120 at most: a slow clock, or a slow way."
    )
    amps: float | None = Field(description="Motor current.")
    locked: bool | None = Field(description="Whether the beam is locked at a vertical cutting station.")
    station: int | None
    door_closed: bool | None


class SawList(Model):
    """All saws of the site, in the order in which screens show them."""

    site: str
    title: str
    zone: str
    now: Time
    saws: list[SawNow]


class StateStretch(Model):
    """A stretch of time in one state and mode."""

    state: State
    mode: Mode
    start: Time
    end: Time


class StateList(Model):
    """States of a saw: each stretch begins where the one before it ends."""

    saw: str
    from_: Time = Field(alias="from")
    to: Time
    states: list[StateStretch]


def blueprint(desk: Desk) -> APIBlueprint:
    """`/saws`, `/saws/{saw}` and `/saws/{saw}/states`."""
    bp = subject("saws")

    def now_of(saw: SawTitle, entry: NowEntry | None, now: int) -> dict[str, Any]:
        return present(saw, entry, desk.extent(saw.name, entry), now)

    @bp.get("/saws", responses={200: SawList})
    def saws() -> Response:
        """All saws and their present."""
        now = desk.now()
        nows = desk.book.nows()
        site = desk.site
        head = {"site": site.name, "title": site.title, "zone": site.zone, "now": iso(now)}
        return live({**head, "saws": [now_of(saw, nows.get(saw.name), now) for saw in site.saws]})

    @bp.get("/saws/<saw>", responses={200: SawNow})
    def saw(path: SawPath) -> Response:
        """One saw and its present."""
        found = saw_of(desk, path.saw)
        return live(now_of(found, desk.book.now(found.name), desk.now()))

    @bp.get("/saws/<saw>/states", responses={200: StateList})
    def states(path: SawPath, query: PeriodQuery) -> Response:
        """States of a saw over a period of at most 31 days, without holes: OFFLINE where nothing is known."""
        found = saw_of(desk, path.saw)
        start, end = period_of(desk, query, LONGEST_DAYS)
        entry = desk.book.now(found.name)
        until = desk.extent(found.name, entry).drawn_until(desk.now())
        stretches = timeline(desk.activity(found.name, start, end, until, entry), start, end)
        rows = [{"state": s.state, "mode": s.mode, "start": iso(s.start), "end": iso(s.end)} for s in stretches]
        return settled({"saw": found.name, "from": iso(start), "to": iso(end), "states": rows})

    return bp
