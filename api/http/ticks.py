"""Ticks: saying that maintenance is done, correcting it, and the history of both."""

from typing import Any

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import BaseModel, Field

from api.answers.occurrences import TickEntry, standing
from api.answers.tasks import Task
from api.http.answer import live
from api.http.asked import saw_of
from api.http.fields import Model, Moment, Strict, Time, problem, subject
from api.http.people import Said
from api.http.problems import Problem
from api.tending import Tending
from api.tongues.say import gettext, known
from collector.book.audit import mention
from collector.book.entries import BookError
from collector.book.maintenance import ReplacedError, TickRow
from collector.facts import SECOND, iso


class TickAnswer(Model):
    """What somebody said about work done."""

    id: int
    task: str
    saw: str
    occurrence: str
    done: Time
    who: str
    role: str
    note: str
    said: Time
    replaces: int | None
    withdrawn: bool
    standing: bool = Field(description="Neither withdrawn nor corrected by a later one.")


class TickBody(Said):
    """Something is done."""

    task: str = Field(pattern=r"^[a-z0-9-]{1,64}$")
    saw: str = Field(pattern=r"^[a-z0-9-]{1,32}$")
    occurrence: str = Field(pattern=r"^[a-z0-9-]{1,64}$", description="As the list of occurrences gives it.")
    done: Moment | None = Field(None, description="When it was done; default: now.")
    token: str | None = Field(None, min_length=8, max_length=64, description="Sent twice with the same one: one tick.")


class CorrectionBody(Said):
    """What was said was not quite so."""

    done: Moment | None = Field(None, description="When it was done; default: as before.")
    withdrawn: bool = Field(False, description="It was not done after all.")
    token: str | None = Field(None, min_length=8, max_length=64)


class TickPath(BaseModel):
    """A tick."""

    tick: int = Field(ge=1, lt=2**31)


class TickQuery(Strict):
    """Whose ticks."""

    saw: str | None = Field(None, pattern=r"^[a-z0-9-]{1,32}$")
    task: str | None = Field(None, pattern=r"^[a-z0-9-]{1,64}$")
    limit: int = Field(200, ge=1, le=2000)


class TickList(Model):
    """Ticks, newest first, with all corrections."""

    ticks: list[TickAnswer]


def _tick(t: TickEntry, stands: bool) -> dict[str, Any]:
    return {
        "id": t.id,
        "task": t.task,
        "saw": t.saw,
        "occurrence": t.occurrence,
        "done": iso(t.done),
        "who": t.who,
        "role": t.role,
        "note": t.note,
        "said": iso(t.said),
        "replaces": t.replaces,
        "withdrawn": t.withdrawn,
        "standing": stands,
    }


def blueprint(tending: Tending) -> APIBlueprint:  # noqa: C901 (a list of addresses)
    """`/maintenance/ticks…`."""
    bp = subject("ticks")
    desk = tending.desk

    def task_of(name: str) -> Task:
        task = tending.tasks().get(name)
        if task is None:
            raise Problem("not-found", gettext("There is no maintenance task called {name}.", name=repr(name)))
        return task

    def checked(done: int | None, now: int) -> int:
        if done is not None and done > now + 60 * SECOND:
            raise Problem("bad-parameter", gettext("The time lies ahead; what is done was done before now."))
        return now if done is None else min(done, now)

    def write(row: TickRow) -> int:
        try:
            return tending.book.add_tick(row)
        except ReplacedError as error:
            raise Problem("changed-meanwhile", gettext("Somebody corrected or withdrew this entry before.")) from error
        except BookError as error:
            raise Problem("not-found", gettext("What it corrects, or the saw, is not in the book.")) from error

    def written(number: int) -> Response:
        every = [t for saw in desk.saws for t in tending.ticks(saw)]
        (tick,) = (t for t in every if t.id == number)
        answer = live(_tick(tick, tick in standing(every)))
        answer.status_code = 201
        return answer

    @bp.get("/maintenance/ticks", responses={200: TickList})
    def ticks(query: TickQuery) -> Response:
        """What was said about work done, newest first, with every correction."""
        names = list(desk.saws) if query.saw is None else [saw_of(desk, query.saw).name]
        every = [t for name in names for t in tending.ticks(name) if query.task in {None, t.task}]
        stand = {t.id for t in standing(every)}
        every.sort(key=lambda t: t.id, reverse=True)
        return live({"ticks": [_tick(t, t.id in stand) for t in every[: query.limit]]})

    @bp.post("/maintenance/ticks", responses={201: TickAnswer})
    def tick(body: TickBody) -> Response:
        """Say that something is done, now, late or for yesterday."""
        now = desk.now()
        task, saw = task_of(body.task), saw_of(desk, body.saw)
        if not tending.exists(task, saw.name, body.occurrence, now):
            raise Problem(
                "not-found",
                gettext(
                    "{task} is not due at {saw} on {day}.", task=known(task.title), saw=saw.title, day=body.occurrence
                ),
            )
        done = checked(body.done, now)
        row = TickRow(
            task.name, saw.name, body.occurrence, done, body.who.strip(), body.role, body.note, now, token=body.token
        )
        return written(write(row))

    @bp.post(
        "/maintenance/ticks/<tick>/corrections",
        responses={201: TickAnswer, 409: problem("It is corrected already.")},
    )
    def tick_correction(path: TickPath, body: CorrectionBody) -> Response:
        """Correct or withdraw what was said; the history keeps both."""
        now = desk.now()
        before = next((t for saw in desk.saws for t in tending.ticks(saw) if t.id == path.tick), None)
        if before is None:
            raise Problem("not-found", gettext("There is no tick {number}.", number=path.tick))
        mention(task=before.task, saw=before.saw, occurrence=before.occurrence)
        done = before.done if body.done is None else checked(body.done, now)
        row = TickRow(
            before.task,
            before.saw,
            before.occurrence,
            done,
            body.who.strip(),
            body.role,
            body.note or before.note,
            now,
            before.id,
            body.withdrawn,
            body.token,
        )
        return written(write(row))

    return bp
