"""Fields and models of blades: what is sent, what is answered, and one made from the other."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field, StringConstraints
from pydantic import Strict as Strictly

from api.answers.blade_cost import Cost
from api.answers.blades import Life, Place
from api.answers.service_limits import Limits, Use
from api.http.fields import Model, Moment, Strict, Time
from api.http.problems import Problem
from api.http.who import SIGNED_IN, Who
from api.rack import Due, Rack, Wear
from api.tongues.say import gettext
from collector.book.blade_entries import BladeSheet, ChangeSaid, Fate
from collector.facts import iso

TAG = r"^[A-Za-z0-9][A-Za-z0-9_-]{0,31}$"
"""A tag fits into an address and onto a small label."""

Tag = Annotated[str, StringConstraints(pattern=TAG)]
Key = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]{1,64}$")]
"""Made once by whoever says something; said again with the same key, it is the same entry."""

Text = Annotated[str, StringConstraints(strip_whitespace=True, max_length=60, pattern=r"^[^\x00-\x1f\x7f]*$")]
GroupName = Literal["mixed", "plain-board", "coated-board", "plywood", "solid-wood", "abrasive"]
"""The keys of `api.answers.service_limits.GROUPS` (a test holds the two together)."""

_MOST = 10_000_000


Number = Annotated[float, Strictly()]
"""A JSON number: true is none."""
Whole = Annotated[int, Strictly()]
"""A whole JSON number."""


class BladePath(BaseModel):
    """The blade in an address."""

    tag: str = Field(description="Tag of the blade.", pattern=TAG)


class SheetFields(Strict):
    """A blade's description; what is not known stays null."""

    diameter_mm: Number | None = Field(None, gt=0, le=2000)
    teeth: Whole | None = Field(None, ge=1, le=1000)
    tooth_form: Text = Field("", description="The trade's word, such as `trapezoidal and flat`.")
    kerf_mm: Number | None = Field(None, gt=0, le=50)
    max_rpm: Whole | None = Field(None, ge=1, le=100_000, description="Highest speed marked on the blade, 1/min.")
    sharpenings_limit: Whole | None = Field(
        None, ge=0, le=200, description="How often its maker allows it to be sharpened."
    )
    bought: Annotated[str, StringConstraints(pattern=r"^\d{4}-\d\d-\d\d$")] | None = Field(
        None, description="Date of purchase, `2026-03-02`."
    )
    price: Number | None = Field(None, ge=0, le=_MOST, description="In the site's currency.")
    group: GroupName = Field("mixed", description="What it cuts; the service limits follow.")
    limit_cuts: Whole | None = Field(None, ge=1, le=_MOST, description="Service limit; null: the group's default.")
    limit_minutes: Whole | None = Field(None, ge=1, le=_MOST)
    limit_metres: Whole | None = Field(None, ge=1, le=_MOST)


class SheetBody(SheetFields):
    """A new description of a blade."""

    who: Who = SIGNED_IN
    key: Key | None = None


class NewBladeBody(SheetBody):
    """A new blade."""

    tag: Tag


class EventBody(Strict):
    """A station of a blade's life, or the correction of one said before."""

    kind: Literal["racked", "to_sharpen", "sent", "returned", "scrapped", "withdrawn"] = Field(
        description="`returned`: it came back sharp. `withdrawn`: takes back what `corrects` names."
    )
    at: Moment | None = Field(None, description="When; default: now.")
    who: Who = SIGNED_IN
    price: Number | None = Field(None, ge=0, le=_MOST, description="What the sharpening cost.")
    note: Annotated[str, StringConstraints(strip_whitespace=True, max_length=400)] = ""
    corrects: Whole | None = Field(None, ge=1, le=2**31 - 1, description="`id` of the entry that this one corrects.")
    key: Key | None = None


class ChangeBody(Strict):
    """What somebody says about the blade of a saw."""

    kind: Literal["change", "cleaned", "withdrawn"] = Field(
        description="`cleaned`: the door was open, the blade stayed. `withdrawn`: takes back what `corrects` names."
    )
    at: Moment = Field(description="When it happened: a moment of the opening, or as well as people remember.")
    tag: Tag | None = Field(None, description="The blade that went in; null: nobody knows which.")
    fate: Fate | None = Field(None, description="What happens with the one that came out.")
    who: Who = SIGNED_IN
    key: Key = Field(description="Made once by the phone: delivered twice, it counts once.")
    corrects: Whole | None = Field(None, ge=1, le=2**31 - 1, description="`id` of the entry that this one corrects.")


class MomentRecord(Model):
    """A line of a blade's ledger."""

    tag: str
    at: Time
    what: str = Field(description="`in`; `out, sharpen`; `out, keep`; `out, scrap`; `out`; or the kind of an event.")
    saw: str | None
    place: str = Field(description="Where it was after that.")
    who: str
    said: Time
    price: float | None
    note: str


class UseRecord(Model):
    """What was cut."""

    cuts: int
    minutes: float
    metres: float = Field(description="Estimated from the minutes and the site's usual feed.")


class LimitsRecord(Model):
    """Service limits, whichever comes first."""

    cuts: int
    minutes: int
    metres: int
    source: str


class DaysRecord(Model):
    """Calendar days that are left."""

    low: float
    median: float
    high: float


class WearRecord(Model):
    """Whether it cuts heavier than when it was fresh."""

    learned: int = Field(description="Cuts that its baseline has.")
    needed: int = Field(description="Cuts that its baseline needs.")
    heavier: bool | None = Field(description="Null while it learns.")
    ratio: float | None = Field(description="Load above idle of like cuts, the newest 200 at most, against fresh.")
    since: Time | None = Field(description="From when on it cuts heavier.")


class BladeRecord(Model):
    """A blade as the rack shows it."""

    tag: str
    known: bool = Field(description="False: it was named at a saw, and nobody has described it.")
    place: Place
    saw: str | None
    since: Time | None
    diameter_mm: float | None
    teeth: int | None
    tooth_form: str
    kerf_mm: float | None
    max_rpm: int | None
    sharpenings: int
    sharpenings_limit: int | None
    last_service: bool
    bought: str | None
    price: float | None
    group: str
    limits: LimitsRecord
    use: UseRecord = Field(description="Since it was sharpened.")
    total: UseRecord = Field(description="In its life.")
    share: float = Field(description="Used part of the limit that comes first; above 1 it is overdue.")
    limit_by: Literal["cuts", "minutes", "metres"]
    days_left: DaysRecord | None
    wear: WearRecord


class CostRecord(Model):
    """What blades cost; nulls where a price or a limit of sharpenings is not known, or no service has ended."""

    blades: int
    use: UseRecord
    services: int = Field(description="Services that ended.")
    cuts_per_service: float | None
    metres_per_service: float | None
    spent: float = Field(description="Prices and sharpenings so far, as far as they are known.")
    complete: bool = Field(description="Whether every price is known.")
    cost_per_metre: float | None = Field(
        description="Over its life: the price spread over all services that its maker allows, and its sharpenings."
    )
    spent_per_metre: float | None = Field(description="So far; high for a young blade.")


class ChangeRecord(Model):
    """What somebody said about a saw's blade."""

    id: int = Field(description="Of the first entry: what `corrects` wants.")
    saw: str
    kind: Literal["change", "cleaned", "withdrawn"]
    at: Time
    tag: str | None
    fate: Fate | None
    who: str
    said: Time
    corrected: bool


def cents(price: float | None) -> int | None:
    """A price in hundredths."""
    return None if price is None else round(price * 100)


def money(price_cents: float | None) -> float | None:
    """Hundredths as a price."""
    return None if price_cents is None else round(price_cents / 100, 4)


def sheet_of(tag: str, body: SheetFields) -> BladeSheet:
    """The description in a request."""
    fields = {name: getattr(body, name) for name in SheetFields.model_fields if name != "price"}
    return BladeSheet(tag, price_cents=cents(body.price), **fields)


def use_record(use: Use) -> dict[str, Any]:
    """As `UseRecord`."""
    return {"cuts": use.cuts, "minutes": round(use.minutes, 2), "metres": round(use.metres, 1)}


def limits_record(limits: Limits) -> dict[str, Any]:
    """As `LimitsRecord`."""
    return {"cuts": limits.cuts, "minutes": limits.minutes, "metres": limits.metres, "source": limits.source}


def wear_record(wear: Wear) -> dict[str, Any]:
    """As `WearRecord`."""
    found = wear.chart
    since = None if found is None or found.since is None else iso(int(found.start[found.since]))
    ratio = None if found is None or found.ratio is None else round(found.ratio, 3)
    heavier = None if found is None else found.heavier
    return {"learned": wear.learned, "needed": wear.needed, "heavier": heavier, "ratio": ratio, "since": since}


def blade_record(life: Life, due: Due, total: Use, wear: Wear) -> dict[str, Any]:
    """As `BladeRecord`."""
    sheet = life.sheet
    left = due.left
    days = None if left is None else {k: round(getattr(left, k), 1) for k in ("low", "median", "high")}
    same = ("diameter_mm", "teeth", "tooth_form", "kerf_mm", "max_rpm", "sharpenings_limit", "bought", "group")
    return {
        "tag": life.tag,
        "known": life.known,
        "place": life.place,
        "saw": life.saw,
        "since": iso(life.since),
        **{name: getattr(sheet, name) for name in same},
        "price": money(sheet.price_cents),
        "sharpenings": life.sharpenings,
        "last_service": life.last_service,
        "limits": limits_record(due.limits),
        "use": use_record(due.use),
        "total": use_record(total),
        "share": round(due.spent.share, 4),
        "limit_by": due.spent.by,
        "days_left": days,
        "wear": wear_record(wear),
    }


def cost_record(cost: Cost) -> dict[str, Any]:
    """As `CostRecord`."""
    return {
        "blades": cost.blades,
        "use": use_record(cost.use),
        "services": cost.services,
        "cuts_per_service": _rounded(cost.cuts_per_service),
        "metres_per_service": _rounded(cost.metres_per_service),
        "spent": money(cost.spent_cents),
        "complete": cost.complete,
        "cost_per_metre": money(cost.cents_per_metre),
        "spent_per_metre": money(cost.spent_per_metre),
    }


def change_record(said: ChangeSaid) -> dict[str, Any]:
    """As `ChangeRecord`."""
    return {
        "id": said.corrects or said.id,
        "saw": said.saw,
        "kind": said.kind,
        "at": iso(said.at_us),
        "tag": said.tag,
        "fate": said.fate,
        "who": said.who,
        "said": iso(said.said_us),
        "corrected": said.corrects is not None,
    }


def moment_records(life: Life) -> list[dict[str, Any]]:
    """A blade's ledger, oldest first, as `MomentRecord`."""
    return [
        {
            "tag": life.tag,
            "at": iso(m.at),
            "what": m.what,
            "saw": m.saw,
            "place": m.place,
            "who": m.who,
            "said": iso(m.said_us),
            "price": money(m.price_cents),
            "note": m.note,
        }
        for m in life.moments
    ]


def full_record(rack: Rack, life: Life, now: int, pace: dict[str, list[Use]]) -> dict[str, Any]:
    """A blade as `BladeRecord`, with what it cut; ``pace``: kept between several blades of one answer."""
    due = rack.due(life, now, pace=pace)
    earlier = sum((rack.use(s, now) for s in life.services[:-1]), Use())
    return blade_record(life, due, earlier + due.use, rack.wear(life.service, now))


def blade_of(rack: Rack, tag: str) -> Life:
    """The blade of that tag.

    Raises:
        Problem: there is none.
    """
    life = rack.said().lives.get(tag)
    if life is None:
        raise Problem("unknown-blade", gettext("No blade has the tag {tag}.", tag=repr(tag)))
    return life


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 1)
