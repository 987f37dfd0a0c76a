"""``[alerts]`` and ``[[tell]]``: at what values the rules speak, and who is told how."""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.answers.alert_rules import Limits
from api.answers.alerts import Priority
from api.answers.tasks import ROLES
from api.answers.telling import ALL, Channel, Policy, Quiet
from api.tongues.say import gettext, later
from collector.facts import SECOND
from dashboard.config import kinds
from dashboard.config.settings import Telling

if TYPE_CHECKING:
    from pathlib import Path

    from dashboard.config.reader import Document, Table

_MINUTE = 60 * SECOND


def telling(document: Document, folder: Path) -> Telling:
    """Read both; an address may stand in a file of its own, for it often holds a password."""
    table = document.table("alerts")
    usual, policy = Limits(), Policy()
    minutes = kinds.number(0, 24 * 60, later("minutes"), above=True)
    limits = Limits(
        idling=round(table.take("idling_minutes", minutes, usual.idling / _MINUTE) * _MINUTE),
        skew=round(table.take("clock_seconds", kinds.number(5, 3600, later("seconds")), usual.skew / SECOND) * SECOND),
        braking=round(
            table.take("braking_seconds", kinds.number(1, 60, later("seconds")), usual.braking / SECOND) * SECOND
        ),
        refusals=table.take("refusals_an_hour", kinds.whole(1, 100_000), usual.refusals),
        disk_free=table.take("disk_free_percent", kinds.number(0, 50, later("percent")), 100 * usual.disk_free) / 100,
        remind=round(table.take("remind_minutes", minutes, usual.remind / _MINUTE) * _MINUTE),
    )
    role = kinds.choice(ROLES, later("a role"))
    escalate = table.take("escalate_minutes", minutes, policy.escalate_after / _MINUTE)
    escalate_to = table.take("escalate_to", role, policy.escalate_to)
    summary = table.take("summary_at", kinds.clock, "18:00")
    table.close()
    channels: list[Channel] = []
    for number, entry in enumerate(document.tables("tell"), 1):
        channel = _channel(entry, folder, number)
        if any(channel.name == other.name for other in channels):
            entry.fault("name", gettext("a name that no other [[tell]] has"))
        else:
            channels.append(channel)
    limits = _with_deadband(limits)
    return Telling(
        limits,
        Policy(tuple(channels), round(escalate * _MINUTE), escalate_to, summary_minute=_minute(summary)),
    )


def _with_deadband(limits: Limits) -> Limits:
    """Braking is well again a twentieth below the limit, as 3.8 s is below 4 s."""
    return Limits(
        limits.idling,
        limits.skew,
        limits.braking,
        limits.braking * 19 // 20,
        limits.refusals,
        limits.disk_free,
        limits.remind,
    )


def _channel(table: Table, folder: Path, number: int) -> Channel:
    expected = later("an Apprise address such as mailto://… or json://…, or mqtt: for the site's broker")
    role = table.take("role", kinds.choice(ROLES, later("a role")))
    name = table.take("name", kinds.name, f"{role}-{number}")
    to = table.take("to", kinds.pattern(expected, r"[a-z0-9]+:.*"), None)
    kept = table.take("to_file", kinds.text(later("a file that holds the address and nothing else"), 4096), None)
    if (to is None) == (kept is None):
        table.fault("to", gettext("either to, an address, or to_file, a file that holds it"))
    if kept is not None and not (folder / kept).is_file():
        table.fault(
            "to_file",
            gettext("a file that holds the address and nothing else"),
            gettext("there is no file {path}", path=folder / kept),
        )
    elif kept is not None:
        to = (folder / kept).read_text("utf-8").strip()
    words = [p.value for p in Priority]
    priorities = table.take(
        "priorities",
        kinds.listed(kinds.choice(words, later("a priority")), later('priorities such as ["high"]'), least=1),
        (),
    )
    quiet = table.take("quiet", kinds.listed(kinds.span, later('spans of time such as ["20:00-06:00"]')), ())
    table.close()
    return Channel(
        str(name),
        str(role),
        to or "",
        frozenset(map(Priority, priorities or ())) or ALL,
        tuple(Quiet(*map(_minute, span.split("-", 1))) for span in quiet or ()),
    )


def _minute(clock: str) -> int:
    hour, minute = clock.strip().split(":")
    return int(hour) * 60 + int(minute)
