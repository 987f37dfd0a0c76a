"""Alerts: what stands, what was, acknowledging and shelving, and whether messages arrived."""

from collections.abc import Callable

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import BaseModel, Field

from api.alert_rows import alert_of, event_rows, row_of
from api.alert_view import AlertView, message
from api.answers.alerts import Alert, AlertState, Change, LifeError, Priority, acknowledge, shelve, unshelve
from api.http.answer import live
from api.http.fields import Model, Moment, Strict, Time, problem, subject
from api.http.people import Said
from api.http.problems import Problem
from api.tending import Tending
from api.tongues.say import gettext
from collector.book.alerts import AlertBook, AlertRow, AlertWrite, StaleError
from collector.book.audit import mention
from collector.facts import SECOND, iso

LONGEST_SHELF_DAYS = 31


class AlertAnswer(Model):
    """An alert, in the states of ISA-18.2."""

    id: int
    kind: str
    priority: Priority
    headline: str
    measured: str = Field(description="Its figures in words, or empty.")
    to_do: str
    saw: str | None
    subject: str | None
    page: str
    state: AlertState
    on: bool = Field(description="Whether the condition holds.")
    raised: Time
    newest: Time = Field(description="When it came last.")
    returned: Time | None
    count: int
    acknowledged: Time | None
    who: str | None
    shelved_until: Time | None
    escalated: Time | None


class EventAnswer(Model):
    """One thing that happened to an alert."""

    event: str
    at: Time
    who: str | None = Field(description="Null: the rules.")
    note: str


class AlertDetail(AlertAnswer):
    """An alert with its history."""

    events: list[EventAnswer]


class MessageAnswer(Model):
    """A message and whether it arrived."""

    id: int
    alert: int | None
    channel: str
    reason: str
    made: Time
    sent: Time | None
    given_up: Time | None
    tries: int
    error: str | None


class AlertList(Model):
    """What stands now, and a page of all alerts."""

    now: Time
    looked: Time | None = Field(description="When the rules last looked; long ago: the watch does not run.")
    standing: list[AlertAnswer]
    history: list[AlertAnswer]
    next: str | None
    messages: list[MessageAnswer]


class AlertQuery(Strict):
    """A page."""

    limit: int = Field(50, ge=1, le=500)
    cursor: str | None = Field(None, max_length=20, pattern=r"^\d+$", description="`next` of the page before.")


class AlertPath(BaseModel):
    """An alert."""

    alert: int = Field(ge=1, lt=2**31)


class ShelfBody(Said):
    """Quiet until a time."""

    until: Moment


def blueprint(tending: Tending) -> APIBlueprint:  # noqa: C901 (a list of addresses)
    """`/alerts…`."""
    bp = subject("alerts")
    desk = tending.desk
    book = AlertBook(desk.book)

    def of(number: int) -> AlertRow:
        row = book.get(number)
        if row is None:
            raise Problem("not-found", gettext("There is no alert {number}.", number=number))
        return row

    def detail(row: AlertRow) -> Response:
        events = [
            {"event": e.event, "at": iso(e.at_us), "who": e.who or None, "note": e.note} for e in book.events(row.id)
        ]
        return live({**AlertView(tending).answer(row), "events": events})

    def change(number: int, what: Callable[[Alert, int], Change]) -> Response:
        row = of(number)
        mention(alert=row.kind, saw=row.saw or None)
        try:
            changed = what(alert_of(row), desk.now())
            book.write([AlertWrite(row_of(changed.alert, row.version, row.told_us), event_rows(changed.happenings))])
        except LifeError as error:
            raise Problem("not-possible", gettext("Alert {number}: {why}.", number=number, why=error)) from error
        except StaleError as error:
            raise Problem(
                "changed-meanwhile", gettext("Somebody else changed this alert at the same moment.")
            ) from error
        return detail(of(number))

    @bp.get("/alerts", responses={200: AlertList})
    def alerts(query: AlertQuery) -> Response:
        """Alerts that stand, the weightiest first; all alerts, newest first; and the newest messages."""
        view = AlertView(tending)
        found = book.history(query.limit + 1, None if query.cursor is None else int(query.cursor[:18]))
        page = found[: query.limit]
        return live(
            {
                "now": iso(desk.now()),
                "looked": iso(book.looked()),
                "standing": view.standing(book),
                "history": [view.answer(r) for r in page],
                "next": str(page[-1].id) if len(found) > len(page) else None,
                "messages": [message(m) for m in book.letters()],
            }
        )

    @bp.get("/alerts/<alert>", responses={200: AlertDetail})
    def alert(path: AlertPath) -> Response:
        """One alert and everything that happened to it."""
        return detail(of(path.alert))

    refused = problem("The alert's state does not allow it, or somebody was quicker.")

    @bp.post("/alerts/<alert>/acknowledgement", responses={200: AlertDetail, 409: refused})
    def alert_acknowledgement(path: AlertPath, body: Said) -> Response:
        """Say that you know of it."""
        return change(path.alert, lambda a, now: acknowledge(a, body.who.strip(), now, body.note))

    @bp.put("/alerts/<alert>/shelf", responses={200: AlertDetail, 409: refused})
    def alert_shelf(path: AlertPath, body: ShelfBody) -> Response:
        """Keep it quiet until a time, at most 31 days ahead."""
        if body.until > desk.now() + LONGEST_SHELF_DAYS * 86_400 * SECOND:
            raise Problem("bad-parameter", gettext("The end lies more than {n} days ahead.", n=LONGEST_SHELF_DAYS))
        return change(path.alert, lambda a, now: shelve(a, body.until, body.who.strip(), now, body.note))

    @bp.post("/alerts/<alert>/unshelving", responses={200: AlertDetail, 409: refused})
    def alert_unshelving(path: AlertPath, body: Said) -> Response:
        """Take it off the shelf."""
        return change(path.alert, lambda a, now: unshelve(a, body.who.strip(), now))

    return bp
