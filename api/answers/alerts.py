"""One life for all alerts, in the states of ISA-18.2 / IEC 62682, and how conditions become alerts without flutter.

A *condition* is a stretch of time in which something is not as it should be, read off the facts. Conditions of one
key (kind, saw, subject) become *spells*: those shorter than the kind's delay drop out, those closer together than its
hold are one spell with a count. An *alert* is told once, lives through spells until it has returned to normal and was
acknowledged, and is then over.

All of it is a function of conditions, what people did, and times: looking often or seldom gives the same alerts
(`api.answers.looking`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from api.tongues.say import gettext, later

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping


class AlertState(StrEnum):
    """Alarm states of ISA-18.2 (letters of its state diagram in brackets)."""

    NORMAL = "normal"  # (A)
    UNACKNOWLEDGED = "unacknowledged"  # (B) on, nobody has said that they know
    ACKNOWLEDGED = "acknowledged"  # (C) on, somebody knows
    RETURNED = "returned"  # (D) returned to normal, not acknowledged
    SHELVED = "shelved"  # (G) kept quiet by a person until a given time


class Event(StrEnum):
    """What can happen to an alert."""

    RAISED = "raised"
    RETURNED = "returned"
    ACKNOWLEDGED = "acknowledged"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"


class LifeError(ValueError):
    """What a person asked for cannot happen in the alert's state."""


_TABLE: Mapping[tuple[AlertState, Event], AlertState] = {
    (AlertState.NORMAL, Event.RAISED): AlertState.UNACKNOWLEDGED,
    (AlertState.UNACKNOWLEDGED, Event.RETURNED): AlertState.RETURNED,
    (AlertState.UNACKNOWLEDGED, Event.ACKNOWLEDGED): AlertState.ACKNOWLEDGED,
    (AlertState.ACKNOWLEDGED, Event.RETURNED): AlertState.NORMAL,
    (AlertState.RETURNED, Event.RAISED): AlertState.UNACKNOWLEDGED,
    (AlertState.RETURNED, Event.ACKNOWLEDGED): AlertState.NORMAL,
    # On the shelf the condition comes and goes unheard.
    (AlertState.SHELVED, Event.RAISED): AlertState.SHELVED,
    (AlertState.SHELVED, Event.RETURNED): AlertState.SHELVED,
    **{(s, Event.SHELVED): AlertState.SHELVED for s in AlertState},
    # Already so: saying it twice is no error, for two people may press at once.
    (AlertState.UNACKNOWLEDGED, Event.RAISED): AlertState.UNACKNOWLEDGED,
    (AlertState.ACKNOWLEDGED, Event.RAISED): AlertState.ACKNOWLEDGED,
    (AlertState.ACKNOWLEDGED, Event.ACKNOWLEDGED): AlertState.ACKNOWLEDGED,
    (AlertState.RETURNED, Event.RETURNED): AlertState.RETURNED,
    (AlertState.NORMAL, Event.RETURNED): AlertState.NORMAL,
}


_STATES = {
    AlertState.NORMAL: later("normal"),
    AlertState.UNACKNOWLEDGED: later("raised"),
    AlertState.ACKNOWLEDGED: later("acknowledged"),
    AlertState.RETURNED: later("returned to normal"),
    AlertState.SHELVED: later("shelved"),
}
_EVENTS = {
    Event.RAISED: later("raised"),
    Event.ACKNOWLEDGED: later("acknowledged"),
    Event.RETURNED: later("returned to normal"),
    Event.SHELVED: later("shelved"),
    Event.UNSHELVED: later("taken off the shelf"),
}


def step(state: AlertState, event: Event, *, on: bool) -> AlertState:
    """The state after an event; ``on`` says whether the condition holds, which decides where a shelf leads.

    Raises:
        LifeError: the event cannot happen in this state.
    """
    if (state, event) == (AlertState.SHELVED, Event.UNSHELVED):
        return AlertState.UNACKNOWLEDGED if on else AlertState.NORMAL
    try:
        return _TABLE[state, event]
    except KeyError:
        raise LifeError(
            gettext(
                "an alert that is {state} cannot be {event}",
                state=gettext(_STATES[state]),
                event=gettext(_EVENTS[event]),
            )
        ) from None


class Priority(StrEnum):
    """How much an alert matters; IEC 62682 wants few priorities with clear consequences."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


@dataclass(frozen=True, slots=True)
class Key:
    """What an alert is about: its kind, the saw (``""``: the site) and a subject such as a task's name."""

    kind: str
    saw: str
    subject: str = ""


@dataclass(frozen=True, slots=True)
class Condition:
    """Something is not as it should be from ``start`` to ``end`` (None: still), microseconds UTC.

    ``detail`` holds figures for the message, by name.
    """

    key: Key
    start: int
    end: int | None
    detail: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Spell:
    """Conditions of one key that count as one: raised at ``raised``, over since ``ended`` (None: still on)."""

    raised: int
    ended: int | None
    count: int
    detail: Mapping[str, Any]


def spells(conditions: Iterable[Condition], delay: int, hold: int, now: int) -> list[Spell]:
    """The spells of one key as they stand at ``now``.

    Args:
        conditions: of one key, in any order.
        delay: a condition must hold so long before it counts, microseconds.
        hold: a spell is over only when nothing came back for so long, microseconds.
        now: what begins later is not known yet.
    """
    found: list[Spell] = []
    for c in sorted(conditions, key=lambda c: (c.start, -1 if c.end is None else c.end)):
        raised = c.start + delay
        end = c.end if c.end is not None and c.end <= now else None
        if raised > now or (end is not None and end < raised):
            continue
        last = found[-1] if found else None
        if last is None or (last.ended is not None and raised - last.ended >= hold):
            found.append(Spell(raised, end, 1, c.detail))
        else:
            ended = None if last.ended is None or end is None else max(last.ended, end)
            found[-1] = Spell(last.raised, ended, last.count + 1, {**last.detail, **c.detail})
    # A spell that ended less than `hold` ago may still go on.
    return [replace(s, ended=None) if s.ended is not None and now - s.ended < hold else s for s in found]


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert from its raising until it is over.

    Attributes:
        id: its number in the book; 0 before it is written.
        key: what it is about.
        state: where its life stands.
        raised: when it was raised first, microseconds UTC.
        mark: when its newest spell was raised.
        returned: when it returned to normal; None while on.
        count: how often the condition came, all spells together.
        before: how often in the spells before the newest.
        detail: figures for the message.
        acknowledged: when somebody acknowledged it, None: nobody yet.
        who: who did.
        shelved_until: end of the shelf.
        escalated: when it was passed on because nobody acknowledged.
    """

    id: int
    key: Key
    state: AlertState
    raised: int
    mark: int
    returned: int | None = None
    count: int = 1
    before: int = 0
    detail: Mapping[str, Any] = field(default_factory=dict)
    acknowledged: int | None = None
    who: str = ""
    shelved_until: int | None = None
    escalated: int | None = None

    @property
    def on(self) -> bool:
        """Whether the condition holds."""
        return self.returned is None

    @property
    def over(self) -> bool:
        """Whether it is history: normal, and nobody has to look at it any more."""
        return self.state is AlertState.NORMAL


@dataclass(frozen=True, slots=True)
class Happening:
    """An event of an alert's life, for its history: what happened, when, and whom it came from (``""``: the rules)."""

    event: Event
    at: int
    who: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Change:
    """An alert after a look, what happened to it, and whether people are to be told that it was raised."""

    alert: Alert
    happenings: tuple[Happening, ...]
    tell: bool = False


def acknowledge(alert: Alert, who: str, now: int, note: str = "") -> Change:
    """Somebody knows of it.

    Raises:
        LifeError: it is over or shelved.
    """
    state = step(alert.state, Event.ACKNOWLEDGED, on=alert.on)
    known = replace(alert, state=state, acknowledged=alert.acknowledged or now, who=alert.who or who)
    return Change(known, (Happening(Event.ACKNOWLEDGED, now, who, note),))


def shelve(alert: Alert, until: int, who: str, now: int, note: str = "") -> Change:
    """Somebody wants quiet until a time.

    Raises:
        LifeError: it is over, or the end is not ahead.
    """
    if alert.over:
        raise LifeError(gettext("an alert that is over cannot be shelved"))
    if until <= now:
        raise LifeError(gettext("a shelf needs an end that lies ahead"))
    put = replace(alert, state=step(alert.state, Event.SHELVED, on=alert.on), shelved_until=until)
    return Change(put, (Happening(Event.SHELVED, now, who, note),))


def unshelve(alert: Alert, who: str, now: int) -> Change:
    """Somebody takes it off the shelf.

    Raises:
        LifeError: it is on none.
    """
    state = step(alert.state, Event.UNSHELVED, on=alert.on)
    taken = replace(alert, state=state, shelved_until=None)
    return Change(taken, (Happening(Event.UNSHELVED, now, who),))
