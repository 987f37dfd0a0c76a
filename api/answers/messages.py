"""What people read: what, where, since when, what to do, with a link. Plain text, short enough for a push message."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.answers.calendar import EPOCH, site_date
from api.answers.cautions import NO_SAFETY_DEVICE

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from zoneinfo import ZoneInfo

    from api.answers.alert_kinds import Kind
    from api.answers.alerts import Alert

BUNDLED = 12
"""So many alerts are named one by one in a message that bundles several."""


@dataclass(frozen=True, slots=True)
class Shop:
    """What a message must know of the place: its title, its zone, what saws and tasks are called, its address."""

    title: str
    zone: ZoneInfo
    saws: Mapping[str, str]
    tasks: Mapping[str, str]
    address: str

    def clock(self, t: int, now: int) -> str:
        """``14:02`` today, ``Mon 2 Mar 14:02`` otherwise, in the shop's time."""
        wall = (EPOCH + dt.timedelta(microseconds=t)).astimezone(self.zone)
        same = site_date(t, self.zone) == site_date(now, self.zone)
        return wall.strftime("%H:%M") if same else f"{wall:%a} {wall.day} {wall:%b %H:%M}"


@dataclass(frozen=True, slots=True)
class Text:
    """A message."""

    title: str
    body: str


def where(alert: Alert, shop: Shop) -> str:
    """The saw's title, or the site's."""
    return shop.saws.get(alert.key.saw, alert.key.saw) if alert.key.saw else shop.title


def headline(alert: Alert, kind: Kind, shop: Shop) -> str:
    """What and where, in a line."""
    what = kind.title
    task = shop.tasks.get(alert.key.subject)
    if task:
        what = f"{what}: {task}"
    elif alert.key.subject:
        what = f"{what}: {alert.key.subject}"
    return f"{where(alert, shop)}: {what}"


def link(alert: Alert, kind: Kind, shop: Shop) -> str:
    """The address of the page that shows it."""
    return shop.address.rstrip("/") + kind.page.format(saw=alert.key.saw, subject=alert.key.subject)


def since(alert: Alert, shop: Shop, now: int) -> str:
    """Since when, how often, and whether it is over."""
    text = f"since {shop.clock(alert.raised, now)}"
    if alert.count > 1:
        text = f"{alert.count} times {text}"
    if alert.returned is not None:
        text += f"; over since {shop.clock(alert.returned, now)}"
    return text


def measured(alert: Alert) -> str:
    """The figures of an alert in words, or nothing."""
    words = _FIGURES.get(alert.key.kind)
    return "" if words is None else words(alert.detail)


def _day(text: str) -> str:
    day = dt.date.fromisoformat(text)
    return f"{day:%a} {day.day} {day:%b}"


def _clock(d: Mapping[str, Any]) -> str:
    if d.get("refused"):
        return f"{d['refused']} messages with an impossible time within an hour."
    if d.get("seconds"):
        return f"Readings are {abs(d['seconds'])} s {'ahead of' if d['seconds'] > 0 else 'behind'} the server's clock."
    return ""


def _limit(d: Mapping[str, Any]) -> str:
    return f"{d['used']} of {d['limit']} {'metres (estimated)' if d['by'] == 'metres' else d['by']}."


_FIGURES: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "braking-slow": lambda d: f"{d['seconds']:.1f} s to standstill, the limit is {d['limit']:.0f} s.",
    "clock-wrong": _clock,
    "refusals": lambda d: f"{d['number']} within an hour.",
    "disk-full": lambda d: f"{d['percent']:.1f} % free, {d['gigabytes']:.1f} GB.",
    "fault-reported": lambda d: f"{d['who']}: {d['note'] or 'no further words'}",
    "blade-limit-near": _limit,
    "blade-limit": _limit,
    "blade-wear": lambda d: f"Like cuts draw {d['percent']} % more above idle than when it was fresh.",
    "task-due": lambda d: f"Due on {_day(d['day'])}.",
    "task-overdue": lambda d: (
        f"It was due on {_day(d['day'])}{' and its window is closed: missed' if d['missed'] else ''}."
    ),
}


def about(alert: Alert, kind: Kind, shop: Shop, now: int, *, escalated: bool = False) -> Text:
    """The message about one alert."""
    title = headline(alert, kind, shop)
    rows = [
        f"{since(alert, shop, now).capitalize()}. {measured(alert)}".strip(),
        f"What to do: {kind.to_do}",
        link(alert, kind, shop),
        NO_SAFETY_DEVICE,
    ]
    if escalated:
        rows.insert(0, "Nobody has acknowledged this yet; it is passed on to you.")
    return Text(f"{'Not acknowledged: ' if escalated else ''}{title}", "\n".join(rows))


def bundle(alerts: Sequence[tuple[Alert, Kind]], shop: Shop, now: int) -> Text:
    """One message about several alerts, the weightiest first."""
    rank = {"high": 0, "medium": 1, "low": 2}
    ordered = sorted(alerts, key=lambda pair: (rank[pair[1].priority], pair[0].raised))
    rows = [f"• {headline(a, k, shop)}, {since(a, shop, now)}" for a, k in ordered[:BUNDLED]]
    if len(ordered) > BUNDLED:
        rows.append(f"• and {len(ordered) - BUNDLED} more")
    rows += [f"All of them, and what to do: {shop.address.rstrip('/')}/alerts", NO_SAFETY_DEVICE]
    return Text(f"{shop.title}: {len(ordered)} alerts", "\n".join(rows))
