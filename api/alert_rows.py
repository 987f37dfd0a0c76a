"""Alerts between the book's rows and the answers' dataclasses."""

from __future__ import annotations

from typing import TYPE_CHECKING

from api.answers.alerts import Alert, AlertState, Key
from collector.book.alerts import AlertRow, EventRow

if TYPE_CHECKING:
    from collections.abc import Iterable

    from api.answers.alerts import Happening


def alert_of(row: AlertRow) -> Alert:
    """The alert of a row."""
    return Alert(
        row.id,
        Key(row.kind, row.saw, row.subject),
        AlertState(row.state),
        row.raised_us,
        row.mark_us,
        row.returned_us,
        row.count,
        row.before,
        row.detail,
        row.acknowledged_us,
        row.who,
        row.shelved_until_us,
        row.escalated_us,
    )


def row_of(alert: Alert, version: int, told: int | None) -> AlertRow:
    """The row of an alert; ``version`` as it was read, ``told``: when people hear of it."""
    return AlertRow(
        alert.key.kind,
        alert.key.saw,
        alert.key.subject,
        alert.state.value,
        alert.over,
        alert.raised,
        alert.mark,
        alert.returned,
        alert.count,
        alert.before,
        alert.detail,
        alert.acknowledged,
        alert.who,
        alert.shelved_until,
        alert.escalated,
        told,
        version,
        alert.id,
    )


def event_rows(happenings: Iterable[Happening]) -> list[EventRow]:
    """The rows of what happened."""
    return [EventRow(h.event.value, h.at, h.who, h.note) for h in happenings]
