"""The owner's daily and weekly summary: use, cuts, what was done and missed, and which alerts there were."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.answers.cautions import NO_SAFETY_DEVICE
from api.answers.messages import Text
from api.tongues import amounts
from api.tongues.say import gettext, known, ngettext

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence

    from api.answers.compliance import Tally
    from api.answers.utilisation import Utilisation


@dataclass(frozen=True, slots=True)
class SawPart:
    """One saw's part of a summary.

    Attributes:
        title: what people call it.
        use: its utilisation in the period.
        cuts: cuts that started in it.
        tally: its maintenance that was due in it.
        missed: titles of the tasks missed or overdue.
    """

    title: str
    use: Utilisation
    cuts: int
    tally: Tally
    missed: Sequence[str]


@dataclass(frozen=True, slots=True)
class AlertPart:
    """Alerts of the period: how often each headline came, and how many nobody has acknowledged."""

    headlines: Sequence[tuple[str, int]]
    unacknowledged: int


def _percent(ratio: float | None) -> str:
    return gettext("no figure") if ratio is None else f"{100 * ratio:.0f} %"


def summary(
    kind: str, place: str, first: dt.date, last: dt.date, saws: Sequence[SawPart], alerts: AlertPart, address: str
) -> Text:
    """The text of a summary.

    Args:
        kind: ``daily`` or ``weekly``.
        place: what people call the site.
        first: first day.
        last: last day, itself included.
        saws: a part for each saw.
        alerts: the alerts.
        address: of the server.
    """
    period = amounts.day(first)
    if first != last:
        period = gettext("{first} to {last}", first=period, last=amounts.day(last))
    rows: list[str] = []
    for saw in saws:
        covered = saw.use.coverage
        values = {"saw": saw.title, "use": _percent(saw.use.allocation_efficiency)}
        if not saw.use.planned:
            row = gettext("{saw}: no planned time", saw=saw.title)
        elif covered is None:
            row = gettext("{saw}: in use {use} of planned time", **values)
        else:
            data = int(100 * covered + 1e-9)
            row = gettext("{saw}: in use {use} of planned time, data for {data} % of it", data=data, **values)
        cuts = ngettext("1 cut", "{n} cuts", saw.cuts)
        rows.append(f"{row}; {cuts}.")
        t = saw.tally
        if t.due:
            row = gettext(
                "Maintenance: {n} of {all} in time ({percent})", n=t.in_time, all=t.due, percent=_percent(t.compliance)
            )
            late = gettext("{n} late", n=t.late) if t.late else ""
            overdue = gettext("{n} overdue", n=t.overdue) if t.overdue else ""
            missed = gettext("{n} missed", n=t.missed) if t.missed else ""
            rows.append("  " + ", ".join(filter(None, (row, late, overdue, missed))) + ".")
        if saw.missed:
            rows.append("  " + gettext("Not done: {tasks}.", tasks=", ".join(map(known, dict.fromkeys(saw.missed)))))
    if alerts.headlines:
        told = (h if n == 1 else gettext("{what} ({n} times)", what=h, n=n) for h, n in alerts.headlines[:8])
        rows.append(gettext("Alerts: {list}.", list="; ".join(told)))
        if alerts.unacknowledged:
            rows.append("  " + gettext("{n} not acknowledged.", n=alerts.unacknowledged))
    else:
        rows.append(gettext("No alerts."))
    rows += [f"{address.rstrip('/')}/maintenance", gettext(NO_SAFETY_DEVICE)]
    title = {
        "daily": gettext("{place}, daily summary: {period}", place=place, period=period),
        "weekly": gettext("{place}, weekly summary: {period}", place=place, period=period),
    }[kind]
    return Text(title, "\n".join(rows))
