"""The one alert that cannot wait for the book: that the book itself cannot be written.

All else that people are told is first written down, so that nothing is told twice or never. Here that is impossible:
whoever must know is told from memory, once for an outage, and tried again until it is delivered. When the book is back,
the outage is an alert in it as any other (`collector.troubles`), with its end.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING

from api.answers.alert_kinds import KINDS
from api.answers.alerts import Alert, AlertState, Key
from api.answers.messages import Shop, about
from api.answers.telling import MINUTE, REPEAT, Policy, raised, retry_at
from api.delivery import DeliveryError

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from api.delivery import Sender

log = logging.getLogger(__name__)

PATIENCE = MINUTE
"""A book that somebody locks for a moment is no outage."""
KIND = KINDS["stores-failing"]


@dataclass(slots=True)
class _Waiting:
    """A message to one channel that is not delivered yet."""

    not_before: int
    tries: int = 0


class WithoutBook:
    """Tells people that the book cannot be written.

    Args:
        title: of the site.
        zone: of the site.
        policy: how people are told.
        sender: delivers.
        address: of the server, for links.
    """

    def __init__(self, title: str, zone: ZoneInfo, policy: Policy, sender: Sender, address: str) -> None:
        self._policy, self._sender = policy, sender
        self._shop = Shop(title, zone, {}, {}, address)
        self._since: int | None = None
        self._told: int | None = None
        self._waiting: dict[str, _Waiting] = {}

    def well(self) -> None:
        """The book can be written."""
        self._since = None
        self._waiting.clear()

    def failed(self, now: int, why: str) -> None:
        """The book could not be written at ``now`` [µs UTC]; tells people once that lasts."""
        if self._since is None:
            self._since = now
        news = self._told is None or (self._told < self._since and now - self._told >= REPEAT)
        if news and now - self._since >= PATIENCE:
            letters = raised(KIND, now, self._policy, self._shop.zone, None)
            self._waiting = {letter.channel: _Waiting(letter.not_before) for letter in letters}
            self._told = now
        for name, waiting in list(self._waiting.items()):
            if waiting.not_before <= now:
                self._send(name, waiting, now, why)

    def _send(self, name: str, waiting: _Waiting, now: int, why: str) -> None:
        since = now if self._since is None else self._since
        key = Key("stores-failing", "")
        alert = Alert(0, key, AlertState.UNACKNOWLEDGED, since, since, detail={"said": why})
        facts = {"alerts": [{"kind": key.kind, "priority": KIND.priority.value, "reason": "raised"}]}
        try:
            self._sender.send(self._policy.by_name[name].address, about(alert, KIND, self._shop, now), facts)
        except DeliveryError as error:
            waiting.tries += 1
            waiting.not_before = retry_at(now, waiting.tries)
            log.warning("a message to %s was not delivered (%s); trying again", name, error)
        else:
            del self._waiting[name]
