"""What people read: what, where, since when, what to do, with a link. Plain text, short enough for a push message."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from api.answers.calendar import EPOCH, site_date
from api.answers.cautions import NO_SAFETY_DEVICE
from api.answers.trouble_words import in_words
from api.tongues import amounts
from api.tongues.say import gettext, known

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
        """``14:02`` today, ``Mon 2 Mar 14:02`` otherwise, in the shop's time and the reader's manner."""
        wall = (EPOCH + dt.timedelta(microseconds=t)).astimezone(self.zone)
        same = site_date(t, self.zone) == site_date(now, self.zone)
        return amounts.clock(wall) if same else f"{amounts.day(wall)} {amounts.clock(wall)}"


@dataclass(frozen=True, slots=True)
class Text:
    """A message; ``html`` is the body for mail programs, None: they show the plain one."""

    title: str
    body: str
    html: str | None = None


def where(alert: Alert, shop: Shop) -> str:
    """The saw's title, or the site's."""
    return shop.saws.get(alert.key.saw, alert.key.saw) if alert.key.saw else shop.title


def headline(alert: Alert, kind: Kind, shop: Shop) -> str:
    """What and where, in a line."""
    what = kind.heading
    task = shop.tasks.get(alert.key.subject)
    if task:
        what = f"{what}: {known(task)}"
    elif alert.key.subject:
        what = f"{what}: {alert.key.subject}"
    return f"{where(alert, shop)}: {what}"


def link(alert: Alert, kind: Kind, shop: Shop) -> str:
    """The address of the page that shows it."""
    return shop.address.rstrip("/") + kind.page.format(saw=alert.key.saw, subject=alert.key.subject)


def since(alert: Alert, shop: Shop, now: int) -> str:
    """Since when, how often, and whether it is over."""
    raised = shop.clock(alert.raised, now)
    if alert.count > 1:
        text = gettext("{n} times since {time}", n=alert.count, time=raised)
    else:
        text = gettext("since {time}", time=raised)
    if alert.returned is not None:
        text += "; " + gettext("over since {time}", time=shop.clock(alert.returned, now))
    return text


def measured(alert: Alert) -> str:
    """The figures of an alert in words, or nothing."""
    words = _FIGURES.get(alert.key.kind)
    return "" if words is None else words(alert.detail)


def _day(text: str) -> str:
    return amounts.day(dt.date.fromisoformat(text))


def _clock(d: Mapping[str, Any]) -> str:
    if d.get("refused"):
        return gettext("{n} messages with an impossible time within an hour.", n=d["refused"])
    if d.get("seconds"):
        if d["seconds"] > 0:
            return gettext("Readings are {n} s ahead of the server's clock.", n=d["seconds"])
        return gettext("Readings are {n} s behind the server's clock.", n=-d["seconds"])
    return ""


def _limit(d: Mapping[str, Any]) -> str:
    values = {"n": amounts.number(d["used"]), "limit": amounts.number(d["limit"])}
    match d["by"]:
        case "metres":
            return gettext("{n} of {limit} (estimated).", n=amounts.run(d["used"]), limit=amounts.run(d["limit"]))
        case "minutes":
            return gettext("{n} of {limit} minutes.", **values)
        case _:
            return gettext("{n} of {limit} cuts.", **values)


_FIGURES: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "braking-slow": lambda d: gettext(
        "{n} s to standstill, the limit is {limit} s.",
        n=amounts.number(d["seconds"], 1),
        limit=amounts.number(d["limit"]),
    ),
    "clock-wrong": _clock,
    "refusals": lambda d: gettext("{n} within an hour.", n=d["number"]),
    "disk-full": lambda d: gettext(
        "{percent} % free, {n} GB.", percent=amounts.number(d["percent"], 1), n=amounts.number(d["gigabytes"], 1)
    ),
    **{
        kind: lambda d: in_words(str(d["said"]))
        for kind in (
            "broker-away",
            "stores-failing",
            "store-torn",
            "clock-jumped",
            "stretch-aside",
            "two-boxes",
            "box-changed",
            "box-floods",
        )
    },
    "fault-reported": lambda d: f"{d['who']}: " + (d["note"] or gettext("no further words")),
    "blade-limit-near": _limit,
    "blade-limit": _limit,
    "blade-wear": lambda d: gettext(
        "Like cuts draw {percent} % more above idle than when it was fresh.", percent=d["percent"]
    ),
    "task-due": lambda d: gettext("Due on {day}.", day=_day(d["day"])),
    "task-overdue": lambda d: (
        gettext("It was due on {day} and its window is closed: missed.", day=_day(d["day"]))
        if d["missed"]
        else gettext("It was due on {day}.", day=_day(d["day"]))
    ),
}


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]


def about(alert: Alert, kind: Kind, shop: Shop, now: int, *, escalated: bool = False) -> Text:
    """The message about one alert."""
    title = headline(alert, kind, shop)
    rows = [
        f"{_begun(since(alert, shop, now))}. {measured(alert)}".strip(),
        gettext("What to do: {text}", text=kind.to_do),
        link(alert, kind, shop),
        gettext(NO_SAFETY_DEVICE),
    ]
    if escalated:
        rows.insert(0, gettext("Nobody has acknowledged this yet; it is passed on to you."))
    return Text(gettext("Not acknowledged: {what}", what=title) if escalated else title, "\n".join(rows))


def bundle(alerts: Sequence[tuple[Alert, Kind]], shop: Shop, now: int) -> Text:
    """One message about several alerts, the weightiest first."""
    rank = {"high": 0, "medium": 1, "low": 2}
    ordered = sorted(alerts, key=lambda pair: (rank[pair[1].priority], pair[0].raised))
    rows = [f"• {headline(a, k, shop)}, {since(a, shop, now)}" for a, k in ordered[:BUNDLED]]
    if len(ordered) > BUNDLED:
        rows.append("• " + gettext("and {n} more", n=len(ordered) - BUNDLED))
    rows += [gettext("All of them, and what to do: {link}", link=f"{shop.address.rstrip('/')}/alerts")]
    rows.append(gettext(NO_SAFETY_DEVICE))
    return Text(gettext("{place}: {n} alerts", place=shop.title, n=len(ordered)), "\n".join(rows))
