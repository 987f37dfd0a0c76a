"""A report as a letter: plain text for every channel, and HTML for mail. Pure."""

from __future__ import annotations

import datetime as dt
from html import escape
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from api.answers.cautions import NO_SAFETY_DEVICE
from api.answers.elements import Reason
from api.answers.messages import Text
from collector.facts import SECOND

if TYPE_CHECKING:
    from api.answers.measures import Energy, Measures
    from api.answers.periods import Period
    from api.reporting import Report

WORDS = {
    Reason.IDLING: "motor idling",
    Reason.DOOR: "door open",
    Reason.STANDING: "standing",
    Reason.NO_DATA: "no data",
}
TOLD = 4
"""So many of the longest stretches a letter tells."""


def percent(ratio: float | None) -> str:
    """``61 %``; a coverage of 99.9 % is 99 %, for 100 means all."""
    if ratio is None:
        return "no figure"
    return f"{int(100 * ratio + 1e-9) if 0.99 <= ratio < 1 else round(100 * ratio)} %"


def points(now: float | None, before: float | None) -> str:
    """The change of a ratio in percentage points, with its sign; nothing where there is none."""
    if now is None or before is None:
        return ""
    change = round(100 * now) - round(100 * before)
    return "as before" if change == 0 else f"{'+' if change > 0 else '−'}{abs(change)} points"  # noqa: RUF001 (minus)


def hours(us: int) -> str:
    """``31.4 h``."""
    return f"{us / SECOND / 3600:.1f} h"


def lasted(us: int) -> str:
    """``2 h 05 min``, ``7 min``, ``40 s``."""
    seconds = round(us / SECOND)
    if seconds < 60:
        return f"{seconds} s"
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def kilowatt_hours(estimate: Energy) -> str:
    """Cutting and idling, marked as an estimate."""
    idle = "" if estimate.idle is None else f" and idling {estimate.idle:.0f} kWh"
    return f"energy, estimated: cutting {estimate.cutting:.0f} kWh{idle}"


def name_of(period: Period) -> str:
    """``Week 10, 2 to 8 March 2026``."""
    a, b = period.first, period.last
    match period.kind:
        case "month":
            return f"{a:%B %Y}"
        case "year":
            return f"{a:%Y}"
    if a == b:
        return f"{a:%A} {a.day} {a:%B %Y}"
    from_ = f"{a.day}" if (a.year, a.month) == (b.year, b.month) else f"{a.day} {a:%B}"
    days = f"{from_ if a.year == b.year else f'{from_} {a.year}'} to {b.day} {b:%B %Y}"
    return f"Week {a.isocalendar().week}, {days}" if period.kind == "week" else days


def _row(m: Measures) -> tuple[str, ...]:
    use = m.utilisation(0, 0)
    return (
        percent(use.allocation_efficiency) if m.planned else "nothing planned",
        percent(use.availability) if m.planned else "",
        percent(use.coverage) if m.planned else "",
        hours(m.planned),
        str(m.cuts),
    )


_HEAD = ("in use", "cutting", "data", "planned", "cuts")


def letter(found: Report, place: str, zone: str, address: str) -> Text:
    """The report in plain text.

    Args:
        found: the report.
        place: what people call the site.
        zone: its IANA time zone.
        address: of the report's page.
    """
    figures = found.figures
    rows = [f"In use, of the planned time: {_row(figures.total)[0]}."]
    rows += [_sentence(saw.title, m) for saw, m in figures.saws]
    if found.against is not None:
        now, then = (f.total.utilisation(0, 0).allocation_efficiency for f in (figures, found.against))
        rows.append(f"Against {name_of(found.against.period)} ({percent(then)}): {points(now, then) or 'no figure'}.")
    rows.append("Why not: " + ", ".join(f"{WORDS[w]} {hours(us)}" for w, us in figures.total.why_not.items()) + ".")
    for saw, s in found.longest[:TOLD]:
        rows.append(f"• {saw.title} {WORDS[s.why]} {lasted(s.end - s.start)}, {_when(s.start, zone)}")
    rows.append(f"{kilowatt_hours(found.energy(figures.total)).capitalize()}.")
    rows += [address, NO_SAFETY_DEVICE]
    return Text(f"{place}, report: {name_of(figures.period)}", "\n".join(rows))


def _sentence(title: str, m: Measures) -> str:
    use, cutting, data, planned, cuts = _row(m)
    if not m.planned:
        return f"{title}: no planned time; {cuts} cuts."
    return f"{title}: in use {use}, cutting {cutting} of {planned} planned, data for {data} of it; {cuts} cuts."


def _when(us: int, zone: str) -> str:
    t = dt.datetime.fromtimestamp(us / SECOND, ZoneInfo(zone))
    return f"{t:%a} {t.day} {t:%b} {t:%H:%M}"


_CELL = 'style="padding:4px 14px 4px 0;text-align:right;border-bottom:1px solid #b3ab98"'
_FIRST = 'style="padding:4px 14px 4px 0;text-align:left;border-bottom:1px solid #b3ab98"'


def letter_html(found: Report, place: str, zone: str, address: str) -> str:
    """The same for mail programs: one table, styles inline, no picture and nothing fetched from anywhere."""
    figures = found.figures
    lines = [(saw.title, m) for saw, m in figures.saws]
    if len(lines) > 1:
        lines.append(("All saws", figures.total))
    head = f"<th {_FIRST}></th>" + "".join(f"<th {_CELL}>{h}</th>" for h in _HEAD)
    body = "".join(
        f"<tr><th {_FIRST}>{escape(title)}</th>" + "".join(f"<td {_CELL}>{c}</td>" for c in _row(m)) + "</tr>"
        for title, m in lines
    )
    text = letter(found, place, zone, address)
    rest = [r for r in text.body.split("\n")[1 + len(figures.saws) :] if r != address]
    paragraphs = "".join(f"<p>{escape(r)}</p>" for r in rest)
    return (
        '<!doctype html><html lang="en"><meta charset="utf-8"><body style="font:16px/1.4 Georgia,serif;color:#16150f">'
        f"<h1 style='font-size:20px'>{escape(place)}: {escape(name_of(figures.period))}</h1>"
        f"<table style='border-collapse:collapse'><tr>{head}</tr>{body}</table>{paragraphs}"
        f'<p><a href="{escape(address, quote=True)}">Open the report</a></p></body></html>'
    )
