"""Reports: a week, a month or any days, on a laptop and on one sheet of paper. All of it stands in the address."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import urlencode

from flask import Blueprint, abort, redirect, render_template, request, url_for

from api.answers.calendar import site_date
from api.answers.elements import Reason
from api.answers.periods import Period
from api.report_letter import hours, lasted, name_of, percent, points
from api.tongues import amounts
from api.tongues.say import gettext, later
from collector.facts import SECOND, iso

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from werkzeug.wrappers import Response as Answer

    from api.answers.measures import Measures
    from api.reporting import Report, Reporting
    from dashboard.pages.screen import Screen

ELEMENTS = (
    ("cutting", later("cutting")),
    ("handling", later("handling between cuts")),
    ("idling", later("motor idling")),
    ("door", later("door open")),
    ("standing", later("standing")),
    ("no_data", later("no data")),
)
"""Where planned time goes, as the page draws it from the bottom up: the first three are in use."""

WORDS = dict(ELEMENTS)
HEIGHT = 100.0
"""Of a column of the chart, in its own units: percent of planned time."""

SPREAD, WIDEST = {False: 200.0, True: 400.0}, 27.0
"""How wide a chart is, one of several or alone, and a column with the space beside it at most."""

FILLED = 0.78
MOST_CHARTS = 4


@dataclass(frozen=True, slots=True)
class Block:
    """A piece of a column, in the chart's units."""

    element: str
    x: float
    y: float
    width: float
    height: float
    tip: str


@dataclass(frozen=True, slots=True)
class Chart:
    """Columns of one saw, or of the shop."""

    title: str
    width: float
    letters: float
    blocks: list[Block]
    labels: list[tuple[float, str, str]]


def report_pages(screen: Screen, reporting: Reporting, zone: ZoneInfo) -> Blueprint:
    """``/reports``: ``?period=2026-W10&saws=heron&against=before``.

    Args:
        screen: the shop.
        reporting: makes the reports.
        zone: the shop's time zone.
    """
    pages = Blueprint("report", __name__)

    @pages.get("/reports")
    def report() -> str | Answer:
        today = reporting.today()
        args = request.args
        if args.get("first") and args.get("last"):  # the two dates of the form become a period
            days, saws_wanted = f"{args['first']}..{args['last']}", ",".join(args.getlist("saws"))
            return redirect(_address(days, saws_wanted, args.get("against", "")))
        try:
            period = Period.parse(args.get("period") or str(Period.week_of(today)))
            against = period.compared(args["against"]) if args.get("against") else None
        except ValueError as error:
            abort(400, str(error))
        names = {n for value in args.getlist("saws") for n in value.split(",") if n}
        saws = [saw for saw in screen.saws if not names or saw.name in names]
        if not saws or names - {saw.name for saw in saws}:
            abort(404)
        found = reporting.report(period, saws, against)
        some = ",".join(saw.name for saw in saws) if len(saws) < len(screen.saws) else ""

        def at(period: str = str(period), against: str = args.get("against", "")) -> str:
            return _address(period, some, against)

        query = at().partition("?")[2]
        return render_template(
            "report.html",
            screen=screen,
            report=found,
            saws=saws,
            period=period,
            against=against,
            today=today,
            at=at,
            week=str(Period.week_of(min(max(today, period.first), period.last))),
            month=f"{min(max(today, period.first), period.last):%Y-%m}",
            year=f"{period.first:%Y}",
            query=query,
            charts=_charts(found, zone),
            elements=[(name, gettext(word)) for name, word in ELEMENTS],
            reasons=[(why.value, gettext(WORDS[why.value])) for why in Reason],
            words=WORDS,
            longest=[_stretch(saw.name, saw.title, s.why, s.start, s.end, zone) for saw, s in found.longest],
            name_of=name_of,
            percent=percent,
            points=points,
            hours=hours,
            kwh=amounts.kwh,
            parts=parts,
            made=_moment(found.now, zone),
            gap=reporting.busy_gap_seconds,
        )

    return pages


def _address(period: str, saws: str, against: str) -> str:
    given = {"period": period, "saws": saws, "against": against}
    return f"{url_for('report.report')}?{urlencode({k: v for k, v in given.items() if v})}"


def parts(m: Measures) -> dict[str, int]:
    """Planned time by element, µs."""
    why = m.why_not
    return {"cutting": m.cutting, "handling": m.handling, **{r.value: why[r] for r in Reason}}


def _charts(found: Report, zone: ZoneInfo) -> list[Chart]:
    """A chart for each of a few saws, or one of all."""
    titles = [saw.title for saw, _ in found.figures.saws]
    if 1 < len(titles) <= MOST_CHARTS:
        spread = SPREAD[False]
        return [_chart(found, zone, t, [b.saws[i] for b in found.buckets], spread) for i, t in enumerate(titles)]
    title = titles[0] if len(titles) == 1 else gettext("All saws")
    return [_chart(found, zone, title, [b.total for b in found.buckets], SPREAD[True])]


def _chart(found: Report, zone: ZoneInfo, title: str, rows: list[Measures], spread: float) -> Chart:
    blocks, labels = [], []
    step = min(WIDEST, spread / len(rows))
    for i, (bucket, m) in enumerate(zip(found.buckets, rows, strict=True)):
        x, y = i * step, HEIGHT
        first = site_date(bucket.start, zone)
        figure = "" if not m.known else percent(m.utilisation(0, 0).allocation_efficiency)
        labels.append((round(x + step * FILLED / 2, 3), _label(found, first), figure))
        for element, us in parts(m).items() if m.planned else ():
            height = HEIGHT * us / m.planned
            y -= height
            if height:
                tip = f"{title}, {amounts.day(first)}: {gettext(WORDS[element])} {lasted(us)} ({height:.0f} %)"
                blocks.append(Block(element, round(x, 3), round(y, 3), round(step * FILLED, 3), round(height, 3), tip))
    return Chart(title, spread, min(6.4, 0.62 * step), blocks, labels)


def _moment(us: int, zone: ZoneInfo) -> str:
    t = dt.datetime.fromtimestamp(us / SECOND, zone)
    return f"{amounts.date(t)} {amounts.clock(t)}"


def _label(found: Report, first: dt.date) -> str:
    if found.by == "month":
        return amounts.month(first, short=True)
    if found.by == "week":
        return gettext("W{n}", n=first.isocalendar().week)
    return f"{amounts.weekday(first)} {first.day}" if len(found.buckets) <= 10 else str(first.day)


def _stretch(saw: str, title: str, why: Reason, start: int, end: int, zone: ZoneInfo) -> dict[str, str]:
    begun, over = (dt.datetime.fromtimestamp(t / SECOND, zone) for t in (start, end))
    return {
        "saw": title,
        "why": gettext(WORDS[why.value]),
        "element": why.value,
        "when": f"{amounts.day(begun)}, {amounts.clock(begun)}–{amounts.clock(over)}",  # noqa: RUF001 (an en dash)
        "lasted": lasted(end - start),
        "link": f"{url_for('logbook.of', saw=saw)}?{urlencode({'from': iso(start), 'to': iso(end)})}",
    }
