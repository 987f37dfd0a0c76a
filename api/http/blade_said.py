"""What people enter about blades: descriptions, and the stations of their lives."""

import datetime as dt
import secrets

from flask import Response
from flask_openapi3.blueprint import APIBlueprint

from api.answers.fittings import root
from api.desk import Desk
from api.http.answer import live
from api.http.blade_fields import (
    BladePath,
    BladeRecord,
    EventBody,
    NewBladeBody,
    SheetBody,
    blade_of,
    cents,
    full_record,
    sheet_of,
)
from api.http.fields import Strict, problem, subject
from api.http.problems import Problem
from api.http.who import SIGNED_IN, Who
from api.rack import Rack
from api.tongues.say import gettext
from collector.book.blade_entries import WITHDRAWN, BladeEvent, BladeSheet, SheetSaid
from collector.facts import SECOND

AHEAD = 60 * SECOND
"""A phone's clock may be so far ahead."""

CLASH = problem("It contradicts what was said before.")


class RemoveQuery(Strict):
    """Who removes it."""

    who: Who = SIGNED_IN


def blueprint(desk: Desk, rack: Rack) -> APIBlueprint:
    """`POST`, `PUT` and `DELETE` of `/blades`, and `/blades/{tag}/events`."""
    bp = subject("blade_said")

    def say_sheet(sheet: BladeSheet, body: SheetBody | RemoveQuery, *, removed: bool = False) -> None:
        key = getattr(body, "key", None) or secrets.token_urlsafe(16)
        rack.book.say_sheet(SheetSaid(key, desk.now(), body.who, sheet, removed))

    @bp.post("/blades", responses={201: BladeRecord, 409: CLASH})
    def enter(body: NewBladeBody) -> Response:
        """Enter a blade."""
        known = rack.said().lives.get(body.tag)
        if known is not None and known.known and body.key not in {said.key for said in rack.book.sheets()}:
            raise Problem(
                "blade-contradiction",
                gettext("There is a blade {tag} already; change what is written about it instead.", tag=body.tag),
            )
        say_sheet(sheet_of(body.tag, _fields(body)), body)
        response = live(full_record(rack, blade_of(rack, body.tag), desk.now(), {}))
        response.status_code = 201
        return response

    @bp.put("/blades/<tag>", responses={200: BladeRecord})
    def describe(path: BladePath, body: SheetBody) -> Response:
        """Describe a blade anew; earlier descriptions are kept."""
        blade_of(rack, path.tag)
        say_sheet(sheet_of(path.tag, _fields(body)), body)
        return live(full_record(rack, blade_of(rack, path.tag), desk.now(), {}))

    @bp.delete("/blades/<tag>", responses={204: None, 409: CLASH})
    def remove(path: BladePath, query: RemoveQuery) -> Response:
        """Take a blade that was entered by mistake off the list; one with a life is scrapped instead."""
        life = blade_of(rack, path.tag)
        if life.moments:
            raise Problem(
                "blade-contradiction",
                gettext("{tag} has sat on a saw or been elsewhere: say that it was scrapped instead.", tag=path.tag),
            )
        say_sheet(life.sheet, query, removed=True)
        return Response(status=204)

    @bp.post("/blades/<tag>/events", responses={201: BladeRecord, 409: CLASH})
    def event(path: BladePath, body: EventBody) -> Response:
        """Say that a blade came to a station of its life, or correct or withdraw what was said."""
        blade_of(rack, path.tag)
        now = desk.now()
        at = now if body.at is None else body.at
        if at > now + AHEAD:
            raise Problem("bad-period", gettext("The time lies in the future; say it when it has happened."))
        key = body.key or secrets.token_urlsafe(16)
        entry = BladeEvent(
            key, now, body.who, path.tag, body.kind, at, cents(body.price), body.note, _corrected(rack, path.tag, body)
        )
        rack.book.say_event(entry)
        response = live(full_record(rack, blade_of(rack, path.tag), now, {}))
        response.status_code = 201
        return response

    return bp


def _corrected(rack: Rack, tag: str, body: EventBody) -> int | None:
    if body.corrects is None:
        if body.kind == WITHDRAWN:
            raise Problem("bad-parameter", gettext("A withdrawal names the entry that it takes back, in `corrects`."))
        return None
    known = next((e for e in rack.said().events if e.id == body.corrects and e.tag == tag), None)
    if known is None:
        raise Problem("bad-parameter", gettext("{name} has no entry {number}.", name=tag, number=body.corrects))
    return root(known)


def _fields(body: SheetBody) -> SheetBody:
    """Checks what no pattern says.

    Raises:
        Problem: the date does not exist.
    """
    if body.bought is not None:
        try:
            dt.date.fromisoformat(body.bought)
        except ValueError as error:
            raise Problem("bad-parameter", gettext("bought: {text} is no date.", text=repr(body.bought))) from error
    return body
