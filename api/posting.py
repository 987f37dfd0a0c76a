"""Sends the messages that wait in the book: composed at the last moment, each at least once."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Any

from api.alert_rows import alert_of
from api.answers.alert_kinds import KINDS
from api.answers.messages import Text, about, bundle
from api.answers.telling import KEPT, Policy, retry_at
from api.delivery import DeliveryError
from collector.book.alerts import AlertBook, LetterRow
from collector.facts import iso

if TYPE_CHECKING:
    from collections.abc import Callable

    from api.answers.alerts import Alert
    from api.delivery import Sender
    from api.tending import Tending

log = logging.getLogger(__name__)


class Posting:
    """One site's outgoing messages.

    Args:
        tending: the site's maintenance; its desk holds the stores and the clock.
        policy: how people are told.
        sender: delivers.
        address: of the server, for links.
        moves: called before each message: a hundred to a dead server take long, and are no standstill.
    """

    def __init__(
        self, tending: Tending, policy: Policy, sender: Sender, address: str, moves: Callable[[], None]
    ) -> None:
        self._tending = tending
        self._desk = tending.desk
        self._book = AlertBook(tending.desk.book)
        self._policy = policy
        self._sender = sender
        self._address = address
        self._moves = moves

    def post(self) -> int:
        """Sends what waits, all that goes to one channel in one message; returns how many messages were delivered.

        What cannot be delivered is tried again, later each time. What was delivered is written down afterwards: after
        a crash in between it is sent once more, and never lost.
        """
        now = self._desk.now()
        groups: dict[tuple[str, int | None], list[LetterRow]] = {}
        for row in self._book.waiting(now):
            own = row.id if row.body is not None else None  # a text of its own is a message of its own
            groups.setdefault((row.channel, own), []).append(row)
        return sum(self._deliver(channel, rows, now) for (channel, _), rows in groups.items())

    def _deliver(self, name: str, rows: list[LetterRow], now: int) -> bool:
        self._moves()
        ids = [row.id for row in rows]
        channel = self._policy.by_name.get(name)
        if channel is None:
            self._book.failed(ids, None, now, f"there is no way of telling people called {name} any more")
            return False
        text, facts = self._compose(rows, now)
        if text is None:
            self._book.sent(ids, now)
            return False
        try:
            self._sender.send(channel.address, text, facts)
        except DeliveryError as error:
            oldest = min(row.made_us for row in rows)
            again = None if now - oldest > KEPT else retry_at(now, 1 + min(row.tries for row in rows))
            self._book.failed(ids, again, now, str(error))
            log.warning("a message to %s was not delivered (%s); trying again", name, error)
            return False
        self._book.sent(ids, now)
        return True

    def _compose(self, rows: list[LetterRow], now: int) -> tuple[Text | None, dict[str, Any]]:
        """One message of what waits for a channel, and the same for programs."""
        if rows[0].body is not None:
            return Text(rows[0].title or "", rows[0].body, rows[0].html), {"reason": rows[0].reason}
        alerts: dict[int, tuple[Alert, str]] = {}
        for row in rows:
            found = None if row.alert_id is None else self._book.get(row.alert_id)
            if found is not None and found.state != "shelved":  # shelved since it was written: wanted quiet
                alerts[found.id] = (alert_of(found), row.reason)
        pairs = [(alert, KINDS[alert.key.kind]) for alert, _ in alerts.values()]
        facts = {"alerts": [_facts(alert, reason) for alert, reason in alerts.values()]}
        if not pairs:
            return None, facts
        shop = self._tending.shop(self._address)
        if len(pairs) > 1:
            return bundle(pairs, shop, now), facts
        ((alert, reason),) = alerts.values()
        return about(alert, KINDS[alert.key.kind], shop, now, escalated=reason == "escalated"), facts


def _facts(alert: Alert, reason: str) -> dict[str, Any]:
    kind = KINDS[alert.key.kind]
    return {
        "id": alert.id,
        "kind": alert.key.kind,
        "saw": alert.key.saw or None,
        "subject": alert.key.subject or None,
        "priority": kind.priority.value,
        "reason": reason,
        "state": alert.state.value,
        "raised": iso(alert.raised),
        "returned": iso(alert.returned),
        "count": alert.count,
    }
