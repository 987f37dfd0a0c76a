"""Maintenance: what is open, due, done, overdue and missed, at a glance and one by one."""

import datetime as dt
from typing import Literal

from flask import Response
from flask_openapi3.blueprint import APIBlueprint
from pydantic import Field

from api.answers.calendar import DAY, site_date
from api.answers.compliance import tally, year
from api.answers.occurrences import Verdict
from api.http.answer import as_csv, live, settled, wants_csv
from api.http.asked import saw_of
from api.http.fields import Model, SawPath, Strict, also_csv, subject
from api.http.problems import Problem
from api.http.tending_models import OccurrenceAnswer, TallyAnswer, TendingAnswer
from api.tending import Tending
from api.tending_view import RECENT_DAYS, View, counts, overview
from api.tongues.say import gettext

LONGEST_DAYS = 800
EARLIEST, LATEST = dt.date(2000, 1, 1), dt.date(2099, 12, 31)


class OccurrencesQuery(Strict):
    """A span of due days."""

    from_: dt.date | None = Field(
        None, alias="from", ge=EARLIEST, le=LATEST, description="First due day; default: four weeks ago."
    )
    to: dt.date | None = Field(None, ge=EARLIEST, le=LATEST, description="Last due day; default: today.")
    saw: str | None = Field(None, pattern=r"^[a-z0-9-]{1,32}$")
    format: Literal["json", "csv"] | None = Field(None, description="Overrides the Accept header.")


class OccurrencesAnswer(Model):
    """Occurrences in order of due day."""

    model_config = also_csv("Occurrences.")

    from_: dt.date = Field(alias="from")
    to: dt.date
    occurrences: list[OccurrenceAnswer]


class YearQuery(Strict):
    """A year."""

    year: int | None = Field(None, ge=2000, le=2099, description="Default: this one.")


class DayAnswer(Model):
    """One day of the year."""

    day: dt.date
    verdict: Verdict = Field(description="The weightiest of the day.")
    due: int
    in_time: int
    late: int
    missed: int


class YearAnswer(Model):
    """A year of one saw, day by day; days without any occurrence are left out."""

    saw: str
    year: int
    total: TallyAnswer
    days: list[DayAnswer]


def blueprint(tending: Tending) -> APIBlueprint:
    """`/maintenance…`."""
    bp = subject("maintenance")
    desk = tending.desk

    @bp.get("/maintenance", responses={200: TendingAnswer})
    def maintenance() -> Response:
        """Open, due, overdue and missed maintenance of all saws, with the tasks and how well they are kept."""
        return live(overview(tending, desk.now()))

    @bp.get("/maintenance/occurrences", responses={200: OccurrencesAnswer})
    def maintenance_occurrences(query: OccurrencesQuery) -> Response:
        """Every occurrence in a span of due days and what became of it."""
        maker = View(tending, desk.now())
        last = query.to or maker.today
        first = query.from_ or last - RECENT_DAYS * DAY
        if not 0 <= (last - first).days <= LONGEST_DAYS:
            raise Problem(
                "bad-period", gettext("`from` must not lie after `to`, and at most {n} days before it.", n=LONGEST_DAYS)
            )
        names = list(desk.saws) if query.saw is None else [saw_of(desk, query.saw).name]
        found = sorted((o for n in names for o in maker.found(n, first, last)), key=lambda o: (o.day, o.saw, o.task))
        rows = [maker.occurrence(o) for o in found]
        if wants_csv(query.format):
            return as_csv("maintenance", list(OccurrenceAnswer.model_fields), rows)
        return settled({"from": first.isoformat(), "to": last.isoformat(), "occurrences": rows})

    @bp.get("/saws/<saw>/maintenance/year", responses={200: YearAnswer})
    def maintenance_year(path: SawPath, query: YearQuery) -> Response:
        """A year of one saw, day by day."""
        now = desk.now()
        saw = saw_of(desk, path.saw)
        today = site_date(now, desk.zone)
        asked = query.year or today.year
        found = tending.occurrences(saw.name, dt.date(asked, 1, 1), dt.date(asked, 12, 31), now)
        past = [o for o in found if o.day <= today]
        days = [
            {
                "day": day.isoformat(),
                "verdict": v,
                "due": t.due,
                "in_time": t.in_time,
                "late": t.late,
                "missed": t.missed,
            }
            for day, (v, t) in year(found, now).items()
        ]
        return settled({"saw": saw.name, "year": asked, "total": counts(tally(past, now)), "days": days})

    return bp
