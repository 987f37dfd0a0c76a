"""A look at one key: how the spells that stand in the facts change its alerts. Looking twice changes nothing."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from api.answers.alerts import Alert, AlertState, Change, Event, Happening, Key, Spell, step

if TYPE_CHECKING:
    from collections.abc import Sequence


def look(latest: Alert | None, found: Sequence[Spell], key: Key, now: int, since: int) -> list[Change]:
    """What a look at one key changes.

    Args:
        latest: the newest alert of the key, over or not.
        found: the key's spells as of ``now``, in order.
        key: the key.
        now: the time of the look.
        since: alerts are kept since then; what was over by then is no news.

    Returns:
        Changed and new alerts, in order: at most one that existed, then those that began since.
    """
    looking = _Look(latest, key, since)
    for spell in found:
        looking.take(spell)
    return looking.finish(now)


class _Look:
    def __init__(self, latest: Alert | None, key: Key, since: int) -> None:
        self._alert = latest
        self._key = key
        self._since = since
        self._changes: list[Change] = []
        self._happenings: list[Happening] = []
        self._tell = False
        self._changed = False
        self._seen: int | None = None

    def take(self, spell: Spell) -> None:
        alert = self._alert
        if alert is not None and (spell.raised < alert.mark or (alert.over and spell.raised == alert.mark)):
            return  # known already; what late data tell of the past changes no alert
        if alert is None or alert.over:
            if spell.ended is not None and spell.ended <= self._since:
                return
            self._begin(spell)
        elif spell.raised > alert.mark:
            self._again(alert, spell)
        self._seen = spell.raised
        self._update(spell)

    def finish(self, now: int) -> list[Change]:
        alert = self._alert
        if alert is not None and alert.on and not alert.over and alert.mark != self._seen:
            self._happen(alert, Event.RETURNED, now, returned=now)  # the facts do not say so any more
            alert = self._alert
        if alert is not None and alert.state is AlertState.SHELVED and (alert.shelved_until or 0) <= now:
            self._happen(alert, Event.UNSHELVED, alert.shelved_until or now, shelved_until=None)
            if alert.on:  # from here on it has to be acknowledged again
                self._tell = True
                assert self._alert is not None
                self._alert = replace(self._alert, acknowledged=None, who="", escalated=None)
        self._close()
        return self._changes

    def _begin(self, spell: Spell) -> None:
        self._close()
        new = Alert(0, self._key, AlertState.NORMAL, spell.raised, spell.raised, count=spell.count, detail=spell.detail)
        self._happen(new, Event.RAISED, spell.raised)
        self._tell = True

    def _again(self, alert: Alert, spell: Spell) -> None:
        if alert.on:  # the spell before this one is no longer in the facts
            self._happen(alert, Event.RETURNED, spell.raised, returned=spell.raised)
        assert self._alert is not None
        if self._alert.over:
            self._begin(spell)
            return
        count = alert.count + spell.count
        fields = {"returned": None, "mark": spell.raised, "before": alert.count, "count": count}
        self._happen(self._alert, Event.RAISED, spell.raised, **fields)

    def _update(self, spell: Spell) -> None:
        alert = self._alert
        assert alert is not None
        count = max(alert.count, alert.before + spell.count)
        if (count, dict(spell.detail)) != (alert.count, dict(alert.detail)):
            alert = self._alert = replace(alert, count=count, detail=spell.detail)
            self._changed = True
        if spell.ended is not None and alert.on:
            self._happen(alert, Event.RETURNED, spell.ended, returned=spell.ended)

    def _happen(self, alert: Alert, event: Event, at: int, **fields: Any) -> None:
        self._alert = replace(alert, state=step(alert.state, event, on=alert.on), **fields)
        self._happenings.append(Happening(event, at))
        self._changed = True

    def _close(self) -> None:
        if self._alert is not None and self._changed:
            self._changes.append(Change(self._alert, tuple(self._happenings), self._tell))
        self._happenings, self._tell, self._changed = [], False, False
