"""What the operator needs at the saw, in one small answer for a phone on a bad line."""

import datetime as dt
from typing import Any

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.answers.calendar import DAY
from api.answers.cautions import AT_BLADE
from api.answers.faults import WHATS, faults
from api.answers.occurrences import Verdict
from api.answers.service_limits import limits_of, spent
from api.board import Board
from api.desk import Desk
from api.http.answer import live
from api.http.asked import saw_of
from api.http.faults import FaultAnswer, fault_record
from api.http.fields import Model, SawPath, Time, subject
from api.http.saw_blade import OpeningRecord
from api.http.saws import SawNow
from api.http.tending_models import OccurrenceAnswer, TaskAnswer
from api.http.wall import CutsToday
from api.rack import Rack
from api.tending import Tending
from api.tending_view import View
from api.tongues.say import gettext
from collector.book.faults import FaultBook
from collector.facts import iso

WAITS = (Verdict.OVERDUE, Verdict.DUE, Verdict.OPEN)
LOOK_BACK_DAYS, LOOK_AHEAD_DAYS = 60, 14
CHOICES = 3
"""So many sharp blades are offered at once; the blade page has them all."""


class BladeAtHand(Model):
    """The blade on the saw."""

    tag: str
    cuts: int = Field(description="Since it was sharpened.")
    share: float = Field(description="Used part of its service, by whichever limit comes first.")


class AtHandAnswer(Model):
    """A saw's present, and what waits for somebody there."""

    saw: SawNow
    zone: str
    now: Time
    today: dt.date
    cuts: CutsToday
    blade: BladeAtHand | None = Field(description="Null where nobody said which blade sits there.")
    openings: list[OpeningRecord] = Field(description="Openings of the door that nobody has answered, newest first.")
    choices: list[str] = Field(description="Sharp blades that may have gone in, least used first.")
    waiting: list[OccurrenceAnswer] = Field(description="Maintenance: overdue first, then due today, then open.")
    tasks: list[TaskAnswer] = Field(description="The tasks of `waiting`.")
    cautions: list[str] = Field(description="To be read before any work at the blade.")
    faults: list[FaultAnswer] = Field(description="Open ones.")
    whats: dict[str, str] = Field(description="What a fault can be about, in words.")


def blueprint(desk: Desk, board: Board, rack: Rack, tending: Tending) -> APIBlueprint:
    """`/saws/{saw}/at-hand`."""
    bp = subject("at_hand")
    book = FaultBook(desk.book)

    def blades(saw: str, now: int) -> dict[str, Any]:
        said = rack.said()
        sits = said.on(saw)
        found: dict[str, Any] = {"blade": None, "choices": []}
        if sits is not None:
            use = rack.use(sits.service, now)
            share = spent(use, limits_of(sits.sheet)).share
            found["blade"] = {"tag": sits.tag, "cuts": use.cuts, "share": round(share, 4)}
        openings = rack.waiting(saw, now)
        if openings:
            sharp = [life for life in said.lives.values() if life.sharp]
            used = {life.tag: rack.use(life.service, now).cuts for life in sharp}
            found["choices"] = sorted(used, key=lambda tag: (used[tag], tag))[:CHOICES]
        found["openings"] = [{"start": iso(o.start), "end": iso(o.end), "at": iso(o.middle)} for o in openings]
        return found

    @bp.get("/saws/<saw>/at-hand", responses={200: AtHandAnswer})
    def at_hand(path: SawPath) -> Response:
        """The saw's present, its blade, the question that waits, the maintenance that waits, and open faults."""
        saw, now = saw_of(desk, path.saw), desk.now()
        view = View(tending, now)
        found = view.found(saw.name, view.today - LOOK_BACK_DAYS * DAY, view.today + LOOK_AHEAD_DAYS * DAY)
        waits = [o for o in found if o.verdict(now) in WAITS]
        waits.sort(key=lambda o: (WAITS.index(o.verdict(now)), o.day, o.task))
        entry = board.entries([saw.name], now)[saw.name]
        return live(
            {
                "saw": {name: entry[name] for name in SawNow.model_fields},
                "zone": desk.site.zone,
                "now": iso(now),
                "today": view.today.isoformat(),
                "cuts": entry["cuts"],
                **blades(saw.name, now),
                "waiting": [view.occurrence(o) for o in waits],
                "tasks": [view.task(view.tasks[name]) for name in dict.fromkeys(o.task for o in waits)],
                "cautions": [gettext(caution) for caution in AT_BLADE],
                "faults": [fault_record(f) for f in faults(book.rows(saw.name)) if f.closed is None],
                "whats": {what: gettext(words) for what, words in WHATS.items()},
            }
        )

    return bp
