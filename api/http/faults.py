"""Faults: what people report from the saw, and that it is dealt with."""

from typing import Any, Literal, get_args

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import BaseModel, Field

from api.answers.faults import WHATS, Fault, faults
from api.desk import Desk
from api.http.answer import live
from api.http.asked import saw_of
from api.http.fields import Model, SawPath, Strict, Time, problem, subject
from api.http.people import Role, Said
from api.http.problems import Problem
from api.tongues.say import gettext
from collector.book.audit import mention
from collector.book.entries import BookError
from collector.book.faults import FaultBook, FaultRow
from collector.facts import iso

What = Literal["cut", "motor", "movement", "dust", "door", "box", "other"]
assert set(WHATS) == set(get_args(What))

KEPT = 200
"""So many faults that are dealt with are listed, newest first."""


class FaultAnswer(Model):
    """A fault, and who dealt with it when and how."""

    id: int
    saw: str
    what: What
    what_words: str
    note: str
    who: str
    role: Role
    said: Time
    open: bool
    closed: Time | None
    closed_by: str | None
    closing_note: str | None


class FaultList(Model):
    """Open faults, oldest first; then those that are dealt with, newest first."""

    faults: list[FaultAnswer]
    whats: dict[str, str] = Field(description="What a fault can be about, in words.")


class FaultBody(Said):
    """Something is not as it should be."""

    what: What
    token: str | None = Field(None, min_length=8, max_length=64, description="Sent twice with the same one: one fault.")


class ClosingBody(Said):
    """It is dealt with; the note says how."""

    token: str | None = Field(None, min_length=8, max_length=64)


class FaultPath(BaseModel):
    """A fault."""

    fault: int = Field(ge=1, lt=2**31)


class FaultQuery(Strict):
    """Whose faults."""

    saw: str | None = Field(None, pattern=r"^[a-z0-9-]{1,32}$")


def fault_record(fault: Fault) -> dict[str, Any]:
    """As `FaultAnswer`."""
    said, closed = fault.said, fault.closed
    return {
        "id": said.id,
        "saw": said.saw,
        "what": said.what,
        "what_words": gettext(WHATS[said.what]),
        "note": said.note,
        "who": said.who,
        "role": said.role,
        "said": iso(said.said_us),
        "open": closed is None,
        "closed": None if closed is None else iso(closed.said_us),
        "closed_by": None if closed is None else closed.who,
        "closing_note": None if closed is None else closed.note,
    }


def blueprint(desk: Desk) -> APIBlueprint:
    """`/faults`, `/saws/{saw}/faults` and `/faults/{fault}/closing`."""
    bp = subject("faults")
    book = FaultBook(desk.book)

    def one(number: int) -> Response:
        found = [f for f in faults(book.rows()) if number in {f.said.id, f.closed.id if f.closed else None}]
        return live(fault_record(found[0]))

    @bp.get("/faults", responses={200: FaultList})
    def list_faults(query: FaultQuery) -> Response:
        """Faults that people reported: open ones, and what became of the others."""
        if query.saw is not None:
            saw_of(desk, query.saw)
        found = faults(book.rows(query.saw))
        closed = sorted((f for f in found if f.closed), key=lambda f: f.closed.id if f.closed else 0, reverse=True)
        shown = [*(f for f in found if f.closed is None), *closed[:KEPT]]
        return live(
            {
                "faults": [fault_record(f) for f in shown],
                "whats": {what: gettext(words) for what, words in WHATS.items()},
            }
        )

    @bp.post("/saws/<saw>/faults", responses={200: FaultAnswer})
    def report_fault(path: SawPath, body: FaultBody) -> Response:
        """Report a fault: it stands on the maintenance page and is told as an alert until it is dealt with."""
        saw = saw_of(desk, path.saw)
        row = FaultRow(saw.name, body.what, body.note.strip(), body.who, body.role, desk.now(), None, body.token)
        return one(book.add(row))

    @bp.post("/faults/<fault>/closing", responses={200: FaultAnswer, 404: problem("There is no such fault.")})
    def close_fault(path: FaultPath, body: ClosingBody) -> Response:
        """Say that a fault is dealt with; said twice, the first word stands."""
        found = next((f for f in faults(book.rows()) if f.said.id == path.fault), None)
        if found is None:
            raise Problem("not-found", gettext("There is no fault {number}.", number=path.fault))
        said = found.said
        mention(saw=said.saw, what=said.what)
        row = FaultRow(said.saw, said.what, body.note.strip(), body.who, body.role, desk.now(), said.id, body.token)
        try:
            return one(book.add(row))
        except BookError as error:
            raise Problem("not-found", gettext("There is no fault {number}.", number=path.fault)) from error

    return bp
