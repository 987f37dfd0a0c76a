"""A report as a letter: plain text for every channel, and HTML for mail. Pure."""

from __future__ import annotations

import datetime as dt
from html import escape
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from api.answers.cautions import NO_SAFETY_DEVICE
from api.answers.elements import Reason
from api.answers.messages import Text
from api.tongues import amounts
from api.tongues.say import gettext, later, present
from collector.facts import SECOND

if TYPE_CHECKING:
    from api.answers.measures import Energy, Measures
    from api.answers.periods import Period
    from api.reporting import Report

WORDS = {
    Reason.IDLING: later("motor idling"),
    Reason.DOOR: later("door open"),
    Reason.STANDING: later("standing"),
    Reason.NO_DATA: later("no data"),
}
TOLD = 4
"""So many of the longest stretches a letter tells."""


def percent(ratio: float | None) -> str:
    """``61 %``; a coverage of 99.9 % is 99 %, for 100 means all."""
    if ratio is None:
        return gettext("no figure")
    return f"{int(100 * ratio + 1e-9) if 0.99 <= ratio < 1 else round(100 * ratio)} %"


def points(now: float | None, before: float | None) -> str:
    """The change of a ratio in percentage points, with its sign; nothing where there is none."""
    if now is None or before is None:
        return ""
    change = round(100 * now) - round(100 * before)
    if change == 0:
        return gettext("as before")
    sign = "+" if change > 0 else "−"  # noqa: RUF001 (minus)
    return gettext("{n} points", n=f"{sign}{abs(change)}")


def hours(us: int) -> str:
    """``31.4 h``."""
    return f"{amounts.number(us / SECOND / 3600, 1)} h"


def lasted(us: int) -> str:
    """``2 h 05 min``, ``7 min``, ``40 s``."""
    seconds = round(us / SECOND)
    if seconds < 60:
        return f"{seconds} s"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def kilowatt_hours(estimate: Energy) -> str:
    """Cutting and idling, marked as an estimate."""
    cutting = amounts.kwh(estimate.cutting)
    if estimate.idle is None:
        return gettext("energy, estimated: cutting {n} kWh", n=cutting)
    return gettext(
        "energy, estimated: cutting {n} kWh and idling {idle} kWh", n=cutting, idle=amounts.kwh(estimate.idle)
    )


def name_of(period: Period) -> str:
    """``Week 10, 2 to 8 March 2026``."""
    a, b = period.first, period.last
    match period.kind:
        case "month":
            return amounts.month(a)
        case "year":
            return f"{a:%Y}"
    if a == b:
        return amounts.date(a, weekday=True)
    same = str(a.day) if a.month == b.month else amounts.date_of_year(a)
    first = same if a.year == b.year else amounts.date(a)
    days = gettext("{first} to {last}", first=first, last=amounts.date(b))
    return gettext("Week {n}, {days}", n=a.isocalendar().week, days=days) if period.kind == "week" else days


def _row(m: Measures) -> tuple[str, ...]:
    use = m.utilisation(0, 0)
    return (
        percent(use.allocation_efficiency) if m.planned else gettext("nothing planned"),
        percent(use.availability) if m.planned else "",
        percent(use.coverage) if m.planned else "",
        hours(m.planned),
        str(m.cuts),
    )


_HEAD = (later("in use"), later("cutting"), later("data"), later("planned"), later("cuts"))


def letter(found: Report, place: str, zone: str, address: str) -> Text:
    """The report in plain text.

    Args:
        found: the report.
        place: what people call the site.
        zone: its IANA time zone.
        address: of the report's page.
    """
    figures = found.figures
    rows = [gettext("In use, of the planned time: {percent}.", percent=_row(figures.total)[0])]
    rows += [_sentence(saw.title, m) for saw, m in figures.saws]
    if found.against is not None:
        now, then = (f.total.utilisation(0, 0).allocation_efficiency for f in (figures, found.against))
        change = points(now, then) or gettext("no figure")
        period = name_of(found.against.period)
        rows.append(
            gettext("Against {period} ({percent}): {change}.", period=period, percent=percent(then), change=change)
        )
    whys = ", ".join(f"{gettext(WORDS[w])} {hours(us)}" for w, us in figures.total.why_not.items())
    rows.append(gettext("Why not: {list}.", list=whys))
    for saw, s in found.longest[:TOLD]:
        rows.append(f"• {saw.title} {gettext(WORDS[s.why])} {lasted(s.end - s.start)}, {_when(s.start, zone)}")
    energy = kilowatt_hours(found.energy(figures.total))
    rows.append(f"{energy[:1].upper()}{energy[1:]}.")
    rows += [address, gettext(NO_SAFETY_DEVICE)]
    return Text(gettext("{place}, report: {period}", place=place, period=name_of(figures.period)), "\n".join(rows))


def _sentence(title: str, m: Measures) -> str:
    use, cutting, data, planned, cuts = _row(m)
    if not m.planned:
        return gettext("{saw}: no planned time; {n} cuts.", saw=title, n=cuts)
    return gettext(
        "{saw}: in use {use}, cutting {cutting} of {planned} planned, data for {data} of it; {n} cuts.",
        saw=title,
        use=use,
        cutting=cutting,
        planned=planned,
        data=data,
        n=cuts,
    )


def _when(us: int, zone: str) -> str:
    t = dt.datetime.fromtimestamp(us / SECOND, ZoneInfo(zone))
    return f"{amounts.day(t)} {amounts.clock(t)}"


_CELL = 'style="padding:4px 14px 4px 0;text-align:right;border-bottom:1px solid #b3ab98"'
_FIRST = 'style="padding:4px 14px 4px 0;text-align:left;border-bottom:1px solid #b3ab98"'


def letter_html(found: Report, place: str, zone: str, address: str) -> str:
    """The same for mail programs: one table, styles inline, no picture and nothing fetched from anywhere."""
    figures = found.figures
    lines = [(saw.title, m) for saw, m in figures.saws]
    if len(lines) > 1:
        lines.append((gettext("All saws"), figures.total))
    head = f"<th {_FIRST}></th>" + "".join(f"<th {_CELL}>{escape(gettext(h))}</th>" for h in _HEAD)
    body = "".join(
        f"<tr><th {_FIRST}>{escape(title)}</th>" + "".join(f"<td {_CELL}>{c}</td>" for c in _row(m)) + "</tr>"
        for title, m in lines
    )
    text = letter(found, place, zone, address)
    rest = [r for r in text.body.split("\n")[1 + len(figures.saws) :] if r != address]
    paragraphs = "".join(f"<p>{escape(r)}</p>" for r in rest)
    open_it = escape(gettext("Open the report"))
    return (
        f'<!doctype html><html lang="{present().tag}"><meta charset="utf-8">'
        '<body style="font:16px/1.4 Georgia,serif;color:#16150f">'
        f"<h1 style='font-size:20px'>{escape(place)}: {escape(name_of(figures.period))}</h1>"
        f"<table style='border-collapse:collapse'><tr>{head}</tr>{body}</table>{paragraphs}"
        f'<p><a href="{escape(address, quote=True)}">{open_it}</a></p></body></html>'
    )
