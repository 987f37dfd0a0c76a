"""People's marks about cuts: this is no cut, here one was missed; and how the detector does by them."""

from dataclasses import replace
from typing import Annotated, Any, Literal

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field, StringConstraints

from api.desk import Desk
from api.http.answer import live, settled
from api.http.asked import period_of, saw_of
from api.http.fields import CutRecord, Model, Moment, PeriodQuery, SawPath, Strict, Time, problem, subject
from api.http.problems import Problem
from api.http.who import SIGNED_IN, Who
from api.score import score_of as score_by_days
from api.tongues.say import gettext
from collector.book.marks import Marks
from collector.facts import SECOND, Cut, Direction, as_record, iso
from collector.marks import LONGEST_US, SHORTEST_US, Mark, MarkKind, drawn_cut, match_marks

LONGEST_DAYS = 400


class MarkPath(SawPath):
    """A mark in an address."""

    mark: int = Field(ge=1, description="`id` of the mark.")


class MarkBody(Strict):
    """What somebody says about a stretch of time."""

    kind: MarkKind = Field(description="`no_cut`: the cut found there is none. `missed_cut`: one was not found.")
    start: Moment
    end: Moment
    who: Who = SIGNED_IN
    note: Annotated[str, StringConstraints(strip_whitespace=True, max_length=500)] = ""
    direction: Direction | None = Field(None, description="Of a missed cut; default: unknown.")


class WithdrawQuery(Strict):
    """Who takes the mark back."""

    who: Who = SIGNED_IN


class MarkRecord(Model):
    """A mark, and the cut that it is about."""

    id: int
    saw: str
    kind: MarkKind
    start: Time
    end: Time
    direction: Direction | None
    who: str
    at: Time = Field(description="When it was said.")
    note: str
    withdrawn_by: str | None
    withdrawn_at: Time | None
    cut: CutRecord | None = Field(
        description="`no_cut`: the detected cut that does not count. `missed_cut`: the cut that counts, as drawn, or "
        "as detected if a later derivation found it. Null: withdrawn, or no cut is found there any more."
    )


class MarkList(Model):
    """Marks that overlap a period, in order of start."""

    saw: str
    from_: Time = Field(alias="from")
    to: Time
    marks: list[MarkRecord]


class MarksQuery(PeriodQuery):
    """Which marks."""

    withdrawn: Literal["yes", "no"] = Field("no", description="Also those that were taken back.")


class ScoreAnswer(Model):
    """The detector by people's marks, over the days on which somebody marked something."""

    saw: str
    from_: Time = Field(alias="from")
    to: Time
    days: list[str] = Field(description="Days of the site with a mark; what nobody marked on them is taken as right.")
    right: int = Field(description="Cuts found, and not marked as none.")
    wrong: int = Field(description="Cuts found that people marked as none.")
    missed: int = Field(description="Cuts that people drew, and the detector did not find.")
    precision: float | None = Field(description="right / (right + wrong)")
    recall: float | None = Field(description="right / (right + missed)")


def blueprint(desk: Desk) -> APIBlueprint:
    """`/saws/{saw}/marks` and `/saws/{saw}/score`."""
    bp = subject("marks")
    marks = Marks(desk.book)

    @bp.get("/saws/<saw>/marks", responses={200: MarkList})
    def marks_of(path: SawPath, query: MarksQuery) -> Response:
        """What people said about the cuts of a period."""
        saw = saw_of(desk, path.saw).name
        start, end = period_of(desk, query, LONGEST_DAYS)
        found = marks.of(saw, start, end, withdrawn=query.withdrawn == "yes")
        return settled({"saw": saw, "from": iso(start), "to": iso(end), "marks": _records(desk, saw, found)})

    contradicts = problem("It contradicts what is there.")

    @bp.post("/saws/<saw>/marks", responses={200: MarkRecord, 201: MarkRecord, 409: contradicts})
    def say_mark(path: SawPath, body: MarkBody) -> Response:
        """Mark a cut as none, or draw one that was missed. Saying the same again changes nothing."""
        saw = saw_of(desk, path.saw).name
        now = desk.now()
        new = Mark(saw, body.kind, body.start, body.end, body.who, now, body.note)
        for known in marks.of(saw, new.start, new.end):
            if (known.kind, known.start, known.end) == (new.kind, new.start, new.end):
                return live(_records(desk, saw, [known])[0])
        _check_length(new, now)
        if body.kind is MarkKind.NO_CUT:
            if body.direction is not None:
                raise Problem(
                    "bad-parameter", gettext("A mark that something is no cut has no direction; leave it out.")
                )
            _check_no_cut(desk, new, marks)
        else:
            new = _measured(desk, new, body.direction or Direction.UNKNOWN)
        response = live(_records(desk, saw, [marks.add(new)])[0])
        response.status_code = 201
        return response

    @bp.delete("/saws/<saw>/marks/<mark>", responses={200: MarkRecord})
    def take_back(path: MarkPath, query: WithdrawQuery) -> Response:
        """Take a mark back: the detector's finding counts again. What was said stays readable."""
        saw = saw_of(desk, path.saw).name
        found = marks.withdraw(saw, path.mark, query.who, desk.now())
        if found is None:
            raise Problem("not-found", gettext("{name} has no mark {number}.", name=saw, number=path.mark))
        return live(_records(desk, saw, [found])[0])

    @bp.get("/saws/<saw>/score", responses={200: ScoreAnswer})
    def score_of(path: SawPath, query: PeriodQuery) -> Response:
        """Precision and recall of the detector by what people marked."""
        saw = saw_of(desk, path.saw).name
        start, end = period_of(desk, query, LONGEST_DAYS)
        days, found = score_by_days(desk.book, saw, start, end, desk.zone)
        return settled(
            {
                "saw": saw,
                "from": iso(start),
                "to": iso(end),
                "days": [desk.date(day) for day in days],
                "right": found.right,
                "wrong": found.wrong,
                "missed": found.missed,
                "precision": found.precision,
                "recall": found.recall,
            }
        )

    return bp


def _check_length(new: Mark, now: int) -> None:
    length = new.end - new.start
    if length <= 0:
        raise Problem(
            "bad-period", gettext("The mark ends before it starts or when it starts; let end lie after start.")
        )
    if length > LONGEST_US:
        longest = LONGEST_US // SECOND
        raise Problem(
            "bad-period",
            gettext("The mark is {n} s long; no cut lasts over {most} s.", n=f"{length / SECOND:.0f}", most=longest),
        )
    if new.kind is MarkKind.MISSED_CUT and length < SHORTEST_US:
        raise Problem(
            "bad-period",
            gettext(
                "The cut is {n} s long; draw at least {least} s.",
                n=f"{length / SECOND:.2f}",
                least=SHORTEST_US / SECOND,
            ),
        )
    if new.end > now:
        raise Problem("bad-period", gettext("The mark reaches into the future; mark what has happened."))


def _check_no_cut(desk: Desk, new: Mark, marks: Marks) -> None:
    around = new.start - LONGEST_US, new.end + LONGEST_US
    cuts = [c for c in desk.book.detected(new.saw, *around, ["cut"]) if isinstance(c, Cut)]
    if match_marks([new], cuts)[0] is not None:
        others = [m for m in marks.of(new.saw, *around) if m.kind is MarkKind.NO_CUT]
        alone, *_ = match_marks([new, *others], cuts)
        taken = match_marks(others, cuts)
        if alone is None or alone in taken:
            raise Problem(
                "already-said", gettext("Somebody marked this cut as none before; load the page again to see it.")
            )
        return
    drawn = [m for m in marks.of(new.saw, new.start, new.end) if m.kind is MarkKind.MISSED_CUT]
    if drawn:
        raise Problem(
            "no-cut-there",
            gettext("This cut was drawn by a person; take mark {number} back instead.", number=drawn[0].id),
        )
    raise Problem(
        "no-cut-there",
        gettext(
            "No cut was found that shares at least half its time with {start} to {end}.",
            start=iso(new.start),
            end=iso(new.end),
        ),
    )


def _measured(desk: Desk, new: Mark, direction: Direction) -> Mark:
    """The mark with the currents of the trace under it."""
    counted = [c for c in desk.book.facts(new.saw, new.start, new.end, ["cut"]) if c.end is None or c.end > new.start]
    if counted:
        raise Problem(
            "cut-there-already",
            gettext(
                "It overlaps a cut that counts already, {start} to {end}: draw beside it, or mark that one as none "
                "first.",
                start=iso(counted[0].start),
                end=iso(counted[0].end) or gettext("now"),
            ),
        )
    found = drawn_cut(new, direction, desk.trace.read(new.saw, new.start - 30 * SECOND, new.end + 30 * SECOND))
    if found is None:
        raise Problem(
            "no-data-there", gettext("There is no reading of the motor in that time: nobody can know of a cut there.")
        )
    return found


def _records(desk: Desk, saw: str, found: list[Mark]) -> list[dict[str, Any]]:
    standing = [m for m in found if m.withdrawn is None]
    about: dict[int, Cut | None] = {}
    if standing:
        low, high = min(m.start for m in standing), max(m.end for m in standing)
        said = Marks(desk.book).of(saw, low - LONGEST_US, high + LONGEST_US)
        cuts = [
            c
            for c in desk.book.detected(saw, low - 3 * LONGEST_US, high + 3 * LONGEST_US, ["cut"])
            if isinstance(c, Cut)
        ]
        about = {m.id: c for m, c in zip(said, match_marks(said, cuts), strict=True)}
    return [_record(m, about.get(m.id)) for m in found]


def _record(mark: Mark, cut: Cut | None) -> dict[str, Any]:
    if mark.kind is MarkKind.MISSED_CUT and mark.withdrawn is None:
        cut = mark.cut if cut is None else replace(cut, direction=mark.direction or Direction.UNKNOWN)
    back = mark.withdrawn
    return {
        "id": mark.id,
        "saw": mark.saw,
        "kind": mark.kind,
        "start": iso(mark.start),
        "end": iso(mark.end),
        "direction": mark.direction,
        "who": mark.who,
        "at": iso(mark.at),
        "note": mark.note,
        "withdrawn_by": None if back is None else back.who,
        "withdrawn_at": None if back is None else iso(back.at),
        "cut": None if cut is None else as_record(cut),
    }
