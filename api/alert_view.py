"""Alerts and messages as the API answers them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from api.alert_rows import alert_of
from api.answers.alert_kinds import KINDS
from api.answers.alerts import AlertState, Priority
from api.answers.messages import Shop, headline, measured
from collector.facts import iso

if TYPE_CHECKING:
    from api.tending import Tending
    from collector.book.alerts import AlertBook, AlertRow, LetterRow

_RANK = {Priority.HIGH: 0, Priority.MEDIUM: 1, Priority.LOW: 2}
_STATES = {
    AlertState.UNACKNOWLEDGED: 0,
    AlertState.ACKNOWLEDGED: 1,
    AlertState.RETURNED: 2,
    AlertState.SHELVED: 3,
    AlertState.NORMAL: 4,
}


class AlertView:
    """Makes answers of rows."""

    def __init__(self, tending: Tending) -> None:
        desk = tending.desk
        tasks = {name: t.title for name, t in tending.tasks().items()}
        self._shop = Shop(desk.site.title, desk.zone, {n: s.title for n, s in desk.saws.items()}, tasks, "")

    def standing(self, book: AlertBook) -> list[dict[str, Any]]:
        """Alerts that stand: first those that wait for somebody, the weightiest first."""
        return sorted(
            (self.answer(r) for r in book.standing()), key=lambda a: (_STATES[a["state"]], _RANK[a["priority"]])
        )

    def answer(self, row: AlertRow) -> dict[str, Any]:
        """One alert."""
        alert = alert_of(row)
        kind = KINDS[alert.key.kind]
        return {
            "id": alert.id,
            "kind": kind.name,
            "priority": kind.priority,
            "headline": headline(alert, kind, self._shop),
            "measured": measured(alert),
            "to_do": kind.to_do,
            "saw": alert.key.saw or None,
            "subject": alert.key.subject or None,
            "page": kind.page.format(saw=alert.key.saw, subject=alert.key.subject),
            "state": alert.state,
            "on": alert.on,
            "raised": iso(alert.raised),
            "newest": iso(alert.mark),
            "returned": iso(alert.returned),
            "count": alert.count,
            "acknowledged": iso(alert.acknowledged),
            "who": alert.who or None,
            "shelved_until": iso(alert.shelved_until),
            "escalated": iso(alert.escalated),
        }


def message(row: LetterRow) -> dict[str, Any]:
    """One message and whether it arrived."""
    return {
        "id": row.id,
        "alert": row.alert_id,
        "channel": row.channel,
        "reason": row.reason,
        "made": iso(row.made_us),
        "sent": iso(row.sent_us),
        "given_up": iso(row.given_up_us),
        "tries": row.tries,
        "error": row.error,
    }
