"""The blade of a saw: what sits there, what is asked about it, and what people say."""

from typing import Any, Literal

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.answers.blades import SHARP, Life, Place
from api.answers.fittings import root, shares, standing
from api.answers.service_limits import limits_of, spent
from api.desk import Desk
from api.http.answer import live, settled
from api.http.asked import period_of, saw_of
from api.http.blade_fields import ChangeBody, ChangeRecord, change_record
from api.http.fields import Model, PeriodQuery, SawPath, Time, problem, subject
from api.http.problems import Problem
from api.rack import Rack
from api.tongues.amounts import length
from api.tongues.say import gettext
from collector.book.blade_entries import WITHDRAWN, ChangeSaid
from collector.facts import SECOND, iso

LONGEST_DAYS = 400
AHEAD = 60 * SECOND
RECENT = 20
GONE = frozenset({Place.SCRAPPED})


class OpeningRecord(Model):
    """The door was open, long enough with the motor off for a change: was the blade changed?"""

    start: Time
    end: Time
    at: Time = Field(description="The moment to send back with the answer.")


class ChoiceRecord(Model):
    """A blade that can go in."""

    tag: str
    place: Place
    sharp: bool
    sharpenings: int
    share: float = Field(description="Used part of its service.")
    diameter_mm: float | None
    teeth: int | None
    warning: str | None = Field(description="Why it had better not go in.")


class OnSaw(Model):
    """The blade that sits on the saw."""

    tag: str
    since: Time | None
    cuts: int = Field(description="Since it was sharpened.")
    share: float
    limit_by: Literal["cuts", "minutes", "metres"]
    heavier: bool | None


class SawBladeAnswer(Model):
    """Everything that the phone at the saw needs, in one answer."""

    saw: str
    title: str
    zone: str
    now: Time
    blade: OnSaw | None = Field(description="Null where nobody knows.")
    waiting: list[OpeningRecord] = Field(description="Openings of the door that nobody has answered, newest first.")
    said: list[ChangeRecord] = Field(description="What was said last and stands, newest first.")
    choices: list[ChoiceRecord] = Field(description="Sharp ones first, least used first.")


class SharesAnswer(Model):
    """The cuts of a period by blade: `blades` and `unattributed` are all cuts."""

    saw: str
    from_: Time = Field(alias="from")
    to: Time
    blades: dict[str, int]
    unattributed: int = Field(description="Cuts of which nobody knows the blade.")
    total: int


def blueprint(desk: Desk, rack: Rack) -> APIBlueprint:
    """`/saws/{saw}/blade`, `/saws/{saw}/blade/said` and `/saws/{saw}/blade/shares`."""
    bp = subject("saw_blade")

    def choice(life: Life, saw: str, out: Life | None, now: int) -> dict[str, Any]:
        sheet = life.sheet
        share = spent(rack.use(life.service, now), limits_of(sheet)).share
        return {
            "tag": life.tag,
            "place": life.place,
            "sharp": life.place in SHARP,
            "sharpenings": life.sharpenings,
            "share": round(share, 4),
            "diameter_mm": sheet.diameter_mm,
            "teeth": sheet.teeth,
            "warning": _warning(life, share, desk.site.blades.spindle_rpm.get(saw), out),
        }

    @bp.get("/saws/<saw>/blade", responses={200: SawBladeAnswer})
    def saw_blade(path: SawPath) -> Response:
        """The blade on a saw, the openings of its door that wait for an answer, and the blades to choose from."""
        saw, now = saw_of(desk, path.saw), desk.now()
        said = rack.said()
        sits = said.on(saw.name)
        blade = None
        if sits is not None:
            due = rack.due(sits, now)
            wear = rack.wear(sits.service, now).chart
            blade = {
                "tag": sits.tag,
                "since": iso(sits.since),
                "cuts": due.use.cuts,
                "share": round(due.spent.share, 4),
                "limit_by": due.spent.by,
                "heavier": None if wear is None else wear.heavier,
            }
        choices = [
            choice(life, saw.name, sits, now)
            for life in said.lives.values()
            if life is not sits and life.place not in GONE
        ]
        choices.sort(key=lambda c: (not c["sharp"], c["share"], c["tag"]))
        stands = standing(c for c in said.changes if c.saw == saw.name)
        return live(
            {
                "saw": saw.name,
                "title": saw.title,
                "zone": desk.site.zone,
                "now": iso(now),
                "blade": blade,
                "waiting": [
                    {"start": iso(o.start), "end": iso(o.end), "at": iso(o.middle)} for o in rack.waiting(saw.name, now)
                ],
                "said": [change_record(c) for c in stands[::-1][:RECENT]],
                "choices": choices,
            }
        )

    @bp.post(
        "/saws/<saw>/blade/said",
        responses={200: ChangeRecord, 201: ChangeRecord, 409: problem("It contradicts what was said before.")},
    )
    def say_change(path: SawPath, body: ChangeBody) -> Response:
        """Say that the blade was changed or that the door was open for cleaning; or correct what was said.

        The same key twice is one entry: 201 the first time, 200 after.
        """
        saw, now = saw_of(desk, path.saw), desk.now()
        known = next((c for c in rack.said().changes if c.key == body.key), None)
        if known is not None:
            return live(change_record(known))
        entry = ChangeSaid(
            body.key, now, body.who, saw.name, body.kind, body.at, body.tag, body.fate, _corrected(rack, saw.name, body)
        )
        _check(rack, entry, now)
        kept, fresh = rack.book.say_change(entry)
        response = live(change_record(kept))
        response.status_code = 201 if fresh else 200
        return response

    @bp.get("/saws/<saw>/blade/shares", responses={200: SharesAnswer})
    def shares_of(path: SawPath, query: PeriodQuery) -> Response:
        """The cuts of a period by the blade that made them; those of no known blade are shown as such."""
        saw = saw_of(desk, path.saw).name
        start, end = period_of(desk, query, LONGEST_DAYS)
        starts = rack.book.counting(saw, start, end)[:, 0]
        found = shares(starts, [f for f in rack.said().fittings if f.saw == saw])
        head = {"saw": saw, "from": iso(start), "to": iso(end), "blades": found.blades}
        return settled({**head, "unattributed": found.unattributed, "total": found.total})

    return bp


def _warning(life: Life, share: float, rpm: int | None, out: Life | None) -> str | None:
    top, size = life.sheet.max_rpm, life.sheet.diameter_mm
    if rpm is not None and top is not None and rpm > top:
        return gettext("marked for at most {top} 1/min; this saw turns {rpm} 1/min", top=top, rpm=rpm)
    if life.place in {Place.TO_SHARPEN, Place.SHARPENER}:
        return gettext("was put aside to be sharpened")
    if life.place is Place.SAW:
        return gettext("sits on {saw}, as far as people said", saw=life.saw)
    sits = out.sheet.diameter_mm if out else None
    if out and size is not None and sits is not None and size != sits:
        values = {"size": length(size), "tag": out.tag, "other": length(sits)}
        return gettext("is {size}; {tag} on this saw is {other}", **values)
    if share >= 1:
        return gettext("its service limit is reached")
    return None


def _corrected(rack: Rack, saw: str, body: ChangeBody) -> int | None:
    if body.corrects is None:
        if body.kind == WITHDRAWN:
            raise Problem("bad-parameter", gettext("A withdrawal names the entry that it takes back, in `corrects`."))
        return None
    known = next((c for c in rack.said().changes if c.id == body.corrects and c.saw == saw), None)
    if known is None:
        raise Problem("bad-parameter", gettext("{name} has no entry {number}.", name=saw, number=body.corrects))
    return root(known)


def _check(rack: Rack, entry: ChangeSaid, now: int) -> None:
    """What was said must be possible.

    Raises:
        Problem: it is not.
    """
    if entry.at_us > now + AHEAD:
        raise Problem("bad-period", gettext("The time lies in the future; say it when it has happened."))
    if entry.kind != "change":
        if entry.tag is not None or entry.fate is not None:
            raise Problem(
                "bad-parameter", gettext("With kind {kind} no blade goes in and none comes out.", kind=repr(entry.kind))
            )
        return
    if entry.tag is None:
        return
    life = rack.said().lives.get(entry.tag)
    if life is None:
        raise Problem("unknown-blade", gettext("No blade has the tag {tag}.", tag=repr(entry.tag)))
    if life.place is Place.SCRAPPED and life.since is not None and life.since <= entry.at_us:
        raise Problem(
            "blade-contradiction",
            gettext("{tag} was scrapped on {time}, before this.", tag=entry.tag, time=iso(life.since)),
        )
