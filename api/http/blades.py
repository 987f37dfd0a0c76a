"""The blades of the site: their descriptions, their lives, and the rack."""

from typing import Any

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.answers.blade_cost import cost
from api.answers.blades import Service
from api.answers.cutting import cutting_speed, feed_per_tooth
from api.answers.fittings import root, standing
from api.answers.forecast import FEWEST_REMOVALS
from api.answers.service_limits import GROUPS, Use
from api.desk import Desk
from api.http.answer import live
from api.http.blade_fields import (
    BladePath,
    BladeRecord,
    CostRecord,
    LimitsRecord,
    MomentRecord,
    UseRecord,
    blade_of,
    cost_record,
    full_record,
    limits_record,
    moment_records,
    money,
    use_record,
)
from api.http.fields import Model, Time, subject
from api.rack import Rack, Stock
from api.tongues.say import gettext
from collector.facts import SECOND, iso

AHEAD = 60 * SECOND
"""A phone's clock may be so far ahead."""


class StockRecord(Model):
    """How long blades last here, and how many must lie sharp in the rack; nulls where too little is known."""

    removals: int = Field(description=f"Services that ended; from {FEWEST_REMOVALS} on a distribution is fitted.")
    shape: float | None = Field(description="Weibull β of cuts per service: above 1 blades wear out.")
    scale_cuts: float | None = Field(description="Weibull η: 63 % of blades come out before so many cuts.")
    mean_cuts: float | None
    early_cuts: float | None = Field(description="One blade in ten comes out before so many cuts.")
    mean_days: float | None
    turnaround_days: float = Field(description="From taking a blade out to having it back sharp.")
    turnaround_known: bool = Field(description="False: the site's setting; true: the median of what people said.")
    needed: int | None = Field(
        description="Sharp blades in the rack with which the shop runs out less than once a year."
    )
    sharp: int = Field(description="Sharp blades in the rack now.")


class GroupRecord(Model):
    """A group of materials and its default limits."""

    group: str
    title: str
    limits: LimitsRecord


class RackAnswer(Model):
    """All blades."""

    now: Time
    currency: str
    feed_m_min: float = Field(description="Feed from which metres are estimated.")
    blades: list[BladeRecord]
    stock: StockRecord
    groups: list[GroupRecord]


class FittingRecord(Model):
    """One time that the blade sat on a saw."""

    saw: str
    start: Time
    end: Time | None
    service: int
    use: UseRecord


class EventRecord(Model):
    """An entry that stands, as it can be corrected."""

    id: int
    kind: str
    at: Time
    who: str
    price: float | None
    note: str


class BladeAnswer(BladeRecord):
    """A blade with its whole life."""

    cutting_speed_m_s: float | None = Field(description="Speed of its teeth, π·D·n, on its saw; null if not known.")
    feed_per_tooth_mm: float | None = Field(
        description="Advance from tooth to tooth, v_f/(n·z), at the feed of `[blades]`; null if not known."
    )
    moments: list[MomentRecord]
    fittings: list[FittingRecord]
    events: list[EventRecord]
    cost: CostRecord


def blueprint(desk: Desk, rack: Rack) -> APIBlueprint:
    """`/blades` and below."""
    bp = subject("blades")

    @bp.get("/blades", responses={200: RackAnswer})
    def blades() -> Response:
        """Every blade: where it is, what it cut, how it wears, when it will be due; and the spare ones needed."""
        now, said = desk.now(), rack.said()
        pace: dict[str, list[Use]] = {}
        rules = desk.site.blades
        return live(
            {
                "now": iso(now),
                "currency": rules.currency,
                "feed_m_min": rules.feed_m_min,
                "blades": [full_record(rack, life, now, pace) for life in said.lives.values()],
                "stock": _stock(rack.stock(said, now, pace)),
                "groups": [
                    {"group": name, "title": gettext(g.title), "limits": limits_record(g.limits)}
                    for name, g in GROUPS.items()
                ],
            }
        )

    @bp.get("/blades/<tag>", responses={200: BladeAnswer})
    def blade(path: BladePath) -> Response:
        """One blade with its ledger, its fittings and what it cost."""
        life, now = blade_of(rack, path.tag), desk.now()
        said = rack.said()
        spans = [(s, f) for s in life.services for f in s.fittings]
        uses = [rack.use(Service(s.number, fittings=[f]), now) for s, f in spans]
        rpm = desk.site.blades.spindle_rpm.get(life.saw or "")
        teeth, feed = life.sheet.teeth, desk.site.blades.feed_m_min
        speed = None if rpm is None or life.sheet.diameter_mm is None else cutting_speed(life.sheet.diameter_mm, rpm)
        return live(
            {
                **full_record(rack, life, now, {}),
                "cutting_speed_m_s": None if speed is None else round(speed, 1),
                "feed_per_tooth_mm": None if rpm is None or not teeth else round(feed_per_tooth(feed, rpm, teeth), 3),
                "moments": moment_records(life)[::-1],
                "fittings": [
                    {
                        "saw": f.saw,
                        "start": iso(f.start),
                        "end": iso(f.end) if f.end < now + AHEAD else None,
                        "service": s.number,
                        "use": use_record(use),
                    }
                    for (s, f), use in zip(spans, uses, strict=True)
                ],
                "events": [
                    {
                        "id": root(e),
                        "kind": e.kind,
                        "at": iso(e.at_us),
                        "who": e.who,
                        "price": money(e.price_cents),
                        "note": e.note,
                    }
                    for e in standing(e for e in said.events if e.tag == life.tag)
                ],
                "cost": cost_record(cost([rack.cost_of(life, now)])),
            }
        )

    return bp


def _stock(stock: Stock) -> dict[str, Any]:
    fit, days = stock.lives, stock.days
    return {
        "removals": stock.removals,
        "shape": None if fit is None else round(fit.shape, 2),
        "scale_cuts": None if fit is None else round(fit.scale),
        "mean_cuts": None if fit is None else round(fit.mean),
        "early_cuts": None if fit is None else round(fit.quantile(0.1)),
        "mean_days": None if days is None else round(days.mean, 1),
        "turnaround_days": round(stock.turnaround_days, 1),
        "turnaround_known": stock.turnaround_known,
        "needed": stock.needed,
        "sharp": stock.sharp,
    }
