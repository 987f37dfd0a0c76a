"""Alerts in the book: their present state, everything that happened to them, and the messages that wait to be sent.

A message is written in the transaction that writes what it is about (an outbox), so that neither exists without the
other. Alerts are changed by the rules and by people at the same time: each row has a version, and who comes second
is told so and looks again.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    String,
    Table,
    Text,
    bindparam,
    func,
    insert,
    select,
    update,
)

from collector.book import schema
from collector.book.engine import reading, writing
from collector.book.entries import BookError
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from sqlalchemy import Connection, Engine

    from collector.book.book import Book

alert = Table(
    "alert",
    schema.metadata,
    Column("id", Integer, primary_key=True),
    Column("kind", String(64), nullable=False),
    Column("saw", String(32), nullable=False),  # "": the site
    Column("subject", String(64), nullable=False),
    Column("state", String(16), nullable=False),
    Column("over", Boolean, nullable=False),
    Column("raised_us", BigInteger, nullable=False),
    Column("mark_us", BigInteger, nullable=False),
    Column("returned_us", BigInteger),  # null: still on
    Column("count", Integer, nullable=False),
    Column("before", Integer, nullable=False),
    Column("detail", Text, nullable=False),  # JSON
    Column("acknowledged_us", BigInteger),
    Column("who", String(64), nullable=False),
    Column("shelved_until_us", BigInteger),
    Column("escalated_us", BigInteger),
    Column("told_us", BigInteger),  # when the message of its raising may leave at the earliest
    Column("version", Integer, nullable=False),
    Index(None, "kind", "saw", "subject"),
    Index(None, "over"),
    Index(None, "raised_us"),
)

alert_event = Table(
    "alert_event",
    schema.metadata,
    Column("id", Integer, primary_key=True),
    Column("alert_id", ForeignKey(alert.c.id), nullable=False),
    Column("event", String(16), nullable=False),
    Column("at_us", BigInteger, nullable=False),
    Column("who", String(64), nullable=False),
    Column("note", Text, nullable=False),
    Index(None, "alert_id"),
)

letter = Table(  # the outbox
    "letter",
    schema.metadata,
    Column("id", Integer, primary_key=True),
    Column("alert_id", ForeignKey(alert.c.id)),  # null: a summary, whose text stands in the row
    Column("channel", String(64), nullable=False),
    Column("reason", String(32), nullable=False),
    Column("occasion", String(128), unique=True),  # what is said once only, such as the summary of a day
    Column("title", Text),
    Column("body", Text),
    Column("html", Text),  # the same for mail programs
    Column("made_us", BigInteger, nullable=False),
    Column("next_us", BigInteger, nullable=False),  # not to be tried before
    Column("tries", Integer, nullable=False),
    Column("sent_us", BigInteger),
    Column("given_up_us", BigInteger),
    Column("error", Text),
    Index(None, "sent_us", "given_up_us", "next_us"),
)

alert_watch = Table(  # one row
    "alert_watch",
    schema.metadata,
    Column("id", Integer, primary_key=True, autoincrement=False),
    Column("since_us", BigInteger, nullable=False),  # alerts are kept since then
    Column("looked_us", BigInteger, nullable=False),
)


class StaleError(BookError):
    """Somebody else changed the alert meanwhile: read it again."""


@dataclass(frozen=True, slots=True)
class AlertRow:
    """An alert as it stands; fields as in `api.answers.alerts.Alert`, ``version`` counts its changes."""

    kind: str
    saw: str
    subject: str
    state: str
    over: bool
    raised_us: int
    mark_us: int
    returned_us: int | None = None
    count: int = 1
    before: int = 0
    detail: Mapping[str, Any] = field(default_factory=dict)
    acknowledged_us: int | None = None
    who: str = ""
    shelved_until_us: int | None = None
    escalated_us: int | None = None
    told_us: int | None = None
    version: int = 0
    id: int = 0


@dataclass(frozen=True, slots=True)
class EventRow:
    """One thing that happened to an alert."""

    event: str
    at_us: int
    who: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class LetterRow:
    """A message: about an alert, or with a text of its own."""

    channel: str
    reason: str
    made_us: int
    next_us: int
    alert_id: int | None = None
    occasion: str | None = None
    title: str | None = None
    body: str | None = None
    html: str | None = None
    tries: int = 0
    sent_us: int | None = None
    given_up_us: int | None = None
    error: str | None = None
    id: int = 0


@dataclass(frozen=True, slots=True)
class AlertWrite:
    """An alert to be written (``id`` 0: a new one) with what happened to it and the messages about it."""

    alert: AlertRow
    events: Sequence[EventRow] = ()
    letters: Sequence[LetterRow] = ()


class AlertBook:
    """The alert part of an open book; safe to use from many threads, as the book is."""

    def __init__(self, book: Book) -> None:
        self._engine: Engine = book.engine

    def watched_since(self, now_us: int) -> int:
        """Since when alerts are kept: the first call begins it."""
        t = alert_watch
        with writing(self._engine) as connection:
            known = connection.execute(select(t.c.since_us)).scalar()
            if known is None:
                connection.execute(insert(t).values(id=1, since_us=now_us, looked_us=now_us))
            return now_us if known is None else int(known)

    def looked(self) -> int | None:
        """The newest look of the rules; None: never."""
        with reading(self._engine) as connection:
            return connection.execute(select(alert_watch.c.looked_us)).scalar()

    def latest(self) -> list[AlertRow]:
        """The newest alert of every key, over or not."""
        newest = select(func.max(alert.c.id)).group_by(alert.c.kind, alert.c.saw, alert.c.subject)
        with reading(self._engine) as connection:
            return [_alert(r) for r in connection.execute(select(alert).where(alert.c.id.in_(newest)))]

    def standing(self) -> list[AlertRow]:
        """Alerts that are not over, newest first."""
        query = select(alert).where(alert.c.over.is_(False)).order_by(alert.c.mark_us.desc(), alert.c.id.desc())
        with reading(self._engine) as connection:
            return [_alert(r) for r in connection.execute(query)]

    def get(self, alert_id: int) -> AlertRow | None:
        """One alert."""
        with reading(self._engine) as connection:
            row = connection.execute(select(alert).where(alert.c.id == alert_id)).one_or_none()
        return None if row is None else _alert(row)

    def history(self, limit: int, before: int | None = None) -> list[AlertRow]:
        """Alerts by their number, newest first; ``before``: only those with a smaller one (paging)."""
        query = select(alert).order_by(alert.c.id.desc()).limit(limit)
        if before is not None:
            query = query.where(alert.c.id < before)
        with reading(self._engine) as connection:
            return [_alert(r) for r in connection.execute(query)]

    def raised_between(self, start_us: int, end_us: int) -> list[AlertRow]:
        """Alerts that were raised in ``[start_us, end_us)``, oldest first."""
        query = select(alert).where(alert.c.raised_us >= start_us, alert.c.raised_us < end_us)
        with reading(self._engine) as connection:
            return [_alert(r) for r in connection.execute(query.order_by(alert.c.raised_us))]

    def events(self, alert_id: int) -> list[EventRow]:
        """What happened to an alert, in order."""
        t = alert_event
        query = select(t.c.event, t.c.at_us, t.c.who, t.c.note).where(t.c.alert_id == alert_id).order_by(t.c.id)
        with reading(self._engine) as connection:
            return [EventRow(*r) for r in connection.execute(query)]

    def write(
        self, writes: Sequence[AlertWrite], letters: Sequence[LetterRow] = (), looked_us: int | None = None
    ) -> list[int]:
        """Writes alerts, their events and their messages, and other messages, in one transaction: all or nothing.

        A message whose occasion was written before is left out.

        Returns:
            The numbers of the alerts.

        Raises:
            StaleError: somebody changed one of them since it was read; nothing was written.
        """
        with writing(self._engine, durable=bool(writes or letters)) as connection:
            ids = [_write(connection, w) for w in writes]
            for row in letters:
                if row.occasion is not None and _said(connection, row.occasion):
                    continue
                connection.execute(insert(letter).values(_letter_values(row)))
            if looked_us is not None:
                connection.execute(update(alert_watch).values(looked_us=looked_us))
            if writes:
                connection.execute(update(schema.revision).values(value=schema.revision.c.value + 1))
            return ids

    # The outbox

    def waiting(self, now_us: int, limit: int = 500) -> list[LetterRow]:
        """Messages that may be sent now, oldest first."""
        t = letter.c
        query = select(letter).where(t.sent_us.is_(None), t.given_up_us.is_(None), t.next_us <= now_us)
        with reading(self._engine) as connection:
            return [_letter(r) for r in connection.execute(query.order_by(t.id).limit(limit))]

    def unsent(self) -> int:
        """How many messages are neither sent nor given up."""
        query = (
            select(func.count()).select_from(letter).where(letter.c.sent_us.is_(None), letter.c.given_up_us.is_(None))
        )
        with reading(self._engine) as connection:
            return int(connection.execute(query).scalar_one())

    def sent(self, ids: Sequence[int], now_us: int) -> None:
        """The messages were taken by whoever delivers them."""
        self._settle(ids, {"sent_us": now_us, "error": None})

    def failed(self, ids: Sequence[int], next_us: int | None, now_us: int, error: str) -> None:
        """The messages could not be delivered; try again at ``next_us``, None: given up."""
        values: dict[str, Any] = {"error": error[:500]}
        values |= {"given_up_us": now_us} if next_us is None else {"next_us": next_us}
        self._settle(ids, values)

    def _settle(self, ids: Sequence[int], values: Mapping[str, Any]) -> None:
        change = update(letter).where(letter.c.id == bindparam("of")).values(**values, tries=letter.c.tries + 1)
        with writing(self._engine) as connection:
            connection.execute(change, [{"of": i} for i in ids])

    def letters(self, limit: int = 50) -> list[LetterRow]:
        """The newest messages, for people to see what was sent and what was not."""
        with reading(self._engine) as connection:
            query = select(letter).order_by(letter.c.id.desc()).limit(limit)
            return [_letter(r) for r in connection.execute(query)]

    def mark(self) -> int:
        """Grows with everything that happens to an alert."""
        with reading(self._engine) as connection:
            return connection.execute(select(func.max(alert_event.c.id))).scalar() or 0


def _write(connection: Connection, write: AlertWrite) -> int:
    row = write.alert
    values = {c.name: getattr(row, c.name) for c in alert.c if c.name not in {"id", "detail", "version"}}
    values["detail"] = json.dumps(dict(row.detail), ensure_ascii=False, sort_keys=True)
    if row.id:
        same = (alert.c.id == row.id, alert.c.version == row.version)
        if not connection.execute(update(alert).where(*same).values(**values, version=row.version + 1)).rowcount:
            raise StaleError(later("alert {alert} was changed meanwhile; look at it again"), alert=row.id)
        alert_id = row.id
    else:
        key = connection.execute(insert(alert).values(**values, version=1)).inserted_primary_key
        assert key is not None
        alert_id = int(key[0])
    for event in write.events:
        fields = {"event": event.event, "at_us": event.at_us, "who": event.who, "note": event.note}
        connection.execute(insert(alert_event).values(alert_id=alert_id, **fields))
    for message in write.letters:
        connection.execute(insert(letter).values({**_letter_values(message), "alert_id": alert_id}))
    return alert_id


def _said(connection: Connection, occasion: str) -> bool:
    return connection.execute(select(letter.c.id).where(letter.c.occasion == occasion)).scalar() is not None


def _letter_values(row: LetterRow) -> dict[str, Any]:
    return {c.name: getattr(row, c.name) for c in letter.c if c.name != "id"}


def _letter(row: Any) -> LetterRow:
    return LetterRow(**{c.name: getattr(row, c.name) for c in letter.c})


def _alert(row: Any) -> AlertRow:
    values = {c.name: getattr(row, c.name) for c in alert.c}
    return AlertRow(**{**values, "detail": json.loads(row.detail)})
