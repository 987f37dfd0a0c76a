"""Reports of a period: the shop, its saws, its parts, its shifts, why it was not used, and a comparison."""

from typing import Any, Literal

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.answers.elements import Reason
from api.answers.measures import Measures
from api.answers.periods import Period
from api.board import ratios
from api.desk import Desk
from api.http.answer import as_csv, settled, wants_csv
from api.http.asked import saw_of
from api.http.fields import Model, Strict, Time, also_csv, subject
from api.http.problems import Problem
from api.http.utilisation import Ratios
from api.reporting import Figures, Report, Reporting
from api.site import SawTitle
from collector.facts import SECOND, iso


class WhyNot(Model):
    """Planned time that was not used, by reason [s]."""

    idling: float = Field(description="The motor ran, nobody cut or handled a sheet. Counts as in use.")
    door: float = Field(description="Not in use, the blade door was open.")
    standing: float = Field(description="Not in use, the door closed.")
    no_data: float = Field(description="Nothing is known.")


class EnergyEstimate(Model):
    """Estimated from the motor's current, not metered."""

    cutting_kwh: float
    idle_kwh: float | None = Field(description="Null where no idle current is known.")


class ReportFigures(Ratios):
    """All figures of a period."""

    handling_seconds: float = Field(description="Between two cuts less than the busy gap apart; in use.")
    why_not_seconds: WhyNot
    cuts: int
    vertical: int
    horizontal: int
    energy_estimate: EnergyEstimate


class SawFigures(ReportFigures):
    """One saw's figures."""

    saw: str
    title: str


class ReportBucket(Model):
    """A day, week or month, cut to the period."""

    start: Time
    end: Time
    total: ReportFigures
    saws: list[SawFigures]


class ReportShift(Model):
    """All shifts of one name."""

    title: str
    times: int
    total: ReportFigures
    saws: list[SawFigures]


class NotUsed(Model):
    """A long stretch of planned time that was not used."""

    saw: str
    why: Reason
    start: Time
    end: Time
    seconds: float


class Compared(Model):
    """The period that this one is compared with."""

    period: str
    total: ReportFigures
    saws: list[SawFigures]


class SupplySettings(Model):
    """What energy is estimated with: P = √phases · volts · amps · power factor."""

    volts: float
    phases: int
    power_factor_cutting: float
    power_factor_idle: float


class ReportAnswer(Model):
    """A report."""

    model_config = also_csv("A report; the CSV has a row for each part and saw.")

    site: str
    title: str
    zone: str
    period: str
    from_: Time = Field(alias="from")
    to: Time
    running: bool = Field(description="The period is not over yet.")
    busy_gap_seconds: float
    supply: SupplySettings
    total: ReportFigures
    saws: list[SawFigures]
    by: Literal["day", "week", "month"]
    buckets: list[ReportBucket]
    shifts: list[ReportShift]
    longest: list[NotUsed]
    against: Compared | None


class ReportQuery(Strict):
    """Which period, which saws, against what."""

    period: str | None = Field(
        None,
        max_length=40,
        description="`2026-W10`, `2026-03`, `2026`, or `2026-03-02..2026-03-06`, in site days; default: this week.",
    )
    saws: str | None = Field(None, max_length=400, description="Names of saws, commas between; default: all.")
    against: str | None = Field(
        None,
        max_length=40,
        description="A period to compare with; `before`: the one before of the same kind; `year`: a year before.",
    )
    format: Literal["json", "csv"] | None = Field(None, description="Overrides the Accept header.")


def asked(desk: Desk, query: ReportQuery) -> tuple[Period, list[SawTitle], Period | None]:
    """Period, saws and comparison of a request.

    Raises:
        Problem: a period is none, or a saw unknown.
    """
    try:
        period = Period.parse(query.period) if query.period else Period.week_of(desk.day(desk.now()))
        against = period.compared(query.against) if query.against else None
    except ValueError as error:
        raise Problem("bad-period", f"{error}.") from error
    names = [n.strip() for n in (query.saws or "").split(",") if n.strip()]
    wanted = {saw_of(desk, name).name for name in names} or set(desk.saws)
    return period, [saw for saw in desk.site.saws if saw.name in wanted], against


def blueprint(desk: Desk, reporting: Reporting) -> APIBlueprint:
    """`/report`."""
    bp = subject("report")

    @bp.get("/report", responses={200: ReportAnswer})
    def report(query: ReportQuery) -> Response:
        """Utilisation, cuts and estimated energy of saws and shop, why planned time was not used, and a comparison."""
        found = reporting.report(*asked(desk, query))
        if wants_csv(query.format):
            return as_csv(f"report-{found.figures.period}", CSV_COLUMNS, csv_rows(found, desk))
        return settled(_answer(found, desk))

    return bp


def _answer(found: Report, desk: Desk) -> dict[str, Any]:
    site, supply = desk.site, found.supply
    titles = [saw for saw, _ in found.figures.saws]
    return {
        "site": site.name,
        "title": site.title,
        "zone": site.zone,
        "period": str(found.figures.period),
        "from": iso(found.start),
        "to": iso(found.end),
        "running": found.running,
        "busy_gap_seconds": site.busy_gap_seconds,
        "supply": {
            "volts": supply.volts,
            "phases": supply.phases,
            "power_factor_cutting": supply.cutting_factor,
            "power_factor_idle": supply.idle_factor,
        },
        **_of(found, found.figures),
        "by": found.by,
        "buckets": [
            {
                "start": iso(b.start),
                "end": iso(b.end),
                "total": _row(found, b.total),
                "saws": [_saw(found, saw, m) for saw, m in zip(titles, b.saws, strict=True)],
            }
            for b in found.buckets
        ],
        "shifts": [
            {
                "title": s.title,
                "times": s.times,
                "total": _row(found, s.total),
                "saws": [_saw(found, saw, m) for saw, m in zip(titles, s.saws, strict=True)],
            }
            for s in found.shifts
        ],
        "longest": [
            {
                "saw": saw.name,
                "why": s.why,
                "start": iso(s.start),
                "end": iso(s.end),
                "seconds": (s.end - s.start) / SECOND,
            }
            for saw, s in found.longest
        ],
        "against": None
        if found.against is None
        else {"period": str(found.against.period), **_of(found, found.against)},
    }


def _of(found: Report, figures: Figures) -> dict[str, Any]:
    return {"total": _row(found, figures.total), "saws": [_saw(found, saw, m) for saw, m in figures.saws]}


def _saw(found: Report, saw: SawTitle, m: Measures) -> dict[str, Any]:
    return {"saw": saw.name, "title": saw.title, **_row(found, m)}


def _row(found: Report, m: Measures) -> dict[str, Any]:
    estimate = found.energy(m)
    return {
        **ratios(m.utilisation(0, 0)),
        "handling_seconds": m.handling / SECOND,
        "why_not_seconds": {why.value: us / SECOND for why, us in m.why_not.items()},
        "cuts": m.cuts,
        "vertical": m.vertical,
        "horizontal": m.horizontal,
        "energy_estimate": {
            "cutting_kwh": round(estimate.cutting, 3),
            "idle_kwh": None if estimate.idle is None else round(estimate.idle, 3),
        },
    }


CSV_COLUMNS = [
    "from", "to", "saw", "allocation_efficiency", "availability", "utilization_efficiency", "coverage",
    "planned_seconds", "pbt_seconds", "apt_seconds", "aubt_seconds", "extra_seconds", "handling_seconds",
    "idling_seconds", "door_seconds", "standing_seconds", "no_data_seconds",
    "cuts", "vertical", "horizontal", "cutting_kwh_estimate", "idle_kwh_estimate",
]  # fmt: skip


def csv_rows(found: Report, desk: Desk) -> list[dict[str, Any]]:
    """A row for each part of the period and saw; days are the site's dates, the last one included."""
    rows = []
    for bucket in found.buckets:
        for (saw, _), m in zip(found.figures.saws, bucket.saws, strict=True):
            row = _row(found, m)
            energy, why = row.pop("energy_estimate"), row.pop("why_not_seconds")
            rows.append(
                {
                    "from": desk.date(bucket.start),
                    "to": desk.date(bucket.end - 1),
                    "saw": saw.name,
                    **row,
                    **{f"{name}_seconds": seconds for name, seconds in why.items()},
                    "cutting_kwh_estimate": energy["cutting_kwh"],
                    "idle_kwh_estimate": energy["idle_kwh"],
                }
            )
    return rows
