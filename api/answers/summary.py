"""The owner's daily and weekly summary: use, cuts, what was done and missed, and which alerts there were."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.answers.cautions import NO_SAFETY_DEVICE
from api.answers.messages import Text

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
    return "no figure" if ratio is None else f"{100 * ratio:.0f} %"


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
    period = f"{first:%a} {first.day} {first:%b}" + ("" if first == last else f" to {last:%a} {last.day} {last:%b}")
    rows: list[str] = []
    for saw in saws:
        covered = saw.use.coverage
        data = "" if covered is None else f", data for {int(100 * covered + 1e-9)} % of it"
        if saw.use.planned:
            rows.append(
                f"{saw.title}: in use {_percent(saw.use.allocation_efficiency)} of planned time{data}; {saw.cuts} cuts."
            )
        else:
            rows.append(f"{saw.title}: no planned time; {saw.cuts} cuts.")
        t = saw.tally
        if t.due:
            row = f"  Maintenance: {t.in_time} of {t.due} in time ({_percent(t.compliance)})"
            rest = [f"{n} {word}" for n, word in ((t.late, "late"), (t.overdue, "overdue"), (t.missed, "missed")) if n]
            rows.append(row + (", " + ", ".join(rest) if rest else "") + ".")
        if saw.missed:
            rows.append(f"  Not done: {', '.join(dict.fromkeys(saw.missed))}.")
    if alerts.headlines:
        rows.append("Alerts: " + "; ".join(h if n == 1 else f"{h} ({n} times)" for h, n in alerts.headlines[:8]) + ".")
        if alerts.unacknowledged:
            rows.append(f"  {alerts.unacknowledged} not acknowledged.")
    else:
        rows.append("No alerts.")
    rows += [f"{address.rstrip('/')}/maintenance", NO_SAFETY_DEVICE]
    return Text(f"{place}, {kind} summary: {period}", "\n".join(rows))
