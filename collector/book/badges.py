"""The badges that open the door.

A *badge* is whatever opens it: a session, a paired phone, the link of a TV, a token of a program. Of each the book
keeps a digest, never the secret itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import BigInteger, Column, ForeignKey, Index, Integer, String, Table, and_, insert, or_, select, update

from collector.book import audit as trail
from collector.book.engine import reading, writing
from collector.book.person import Person, as_person, person
from collector.book.schema import metadata

if TYPE_CHECKING:
    from sqlalchemy import Connection, Engine

    from collector.book.audit import Entry

badge = Table(
    "badge",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("kind", String(16), nullable=False),
    Column("digest", String(64), nullable=False, unique=True),
    Column("title", String(64), nullable=False),
    Column("person_id", ForeignKey("person.id")),
    Column("parent_id", ForeignKey("badge.id")),  # ends with it
    Column("role", String(32)),  # of a badge without a person
    Column("rights", String(100), nullable=False),  # of a token, with spaces between
    Column("made_us", BigInteger, nullable=False),
    Column("made_by", String(64), nullable=False),
    Column("seen_us", BigInteger, nullable=False),
    Column("until_us", BigInteger),  # null: until it is ended
    Column("idle_us", BigInteger),  # ends when not seen for so long; null: never for that
    Column("ended_us", BigInteger),
    Index(None, "person_id"),
    Index(None, "parent_id"),
)


@dataclass(frozen=True, slots=True)
class Badge:
    """What opens the door; ``digest`` of its secret, ``idle_us`` the longest time not seen."""

    kind: str
    digest: str
    title: str
    made_us: int
    made_by: str
    person_id: int | None = None
    parent_id: int | None = None
    role: str | None = None
    rights: str = ""
    seen_us: int = 0
    until_us: int | None = None
    idle_us: int | None = None
    ended_us: int | None = None
    id: int = 0

    def good(self, now_us: int) -> bool:
        """Whether it still opens anything by itself."""
        fresh = self.idle_us is None or now_us - self.seen_us < self.idle_us
        return self.ended_us is None and (self.until_us is None or now_us < self.until_us) and fresh


class BadgeBook:
    """Badges of an open book; a part of `collector.book.people.PeopleBook`."""

    _engine: Engine

    def add_badge(self, new: Badge, entry: Entry | None = None) -> Badge:
        """Keeps a badge, and an entry of the audit trail with it."""
        values = {c.name: getattr(new, c.name) for c in badge.c if c.name != "id"} | {"seen_us": new.made_us}
        with writing(self._engine) as connection:
            key = connection.execute(insert(badge).values(values)).inserted_primary_key
            _mention(new)
            if entry is not None:
                trail.put(connection, entry)
        assert key is not None
        return Badge(**(values | {"id": int(key[0])}))

    def find(self, digests: list[str], now_us: int) -> list[tuple[Badge, Person | None]]:
        """The badges of these digests that open the door now, with their people; none whose parent has ended."""
        parent = badge.alias("parent")
        holder = person
        query = (
            select(badge, *(c.label(f"p_{c.name}") for c in holder.c))
            .join_from(badge, holder, badge.c.person_id == holder.c.id, isouter=True)
            .join(parent, badge.c.parent_id == parent.c.id, isouter=True)
            .where(badge.c.digest.in_(digests), badge.c.ended_us.is_(None))
            .where(or_(badge.c.parent_id.is_(None), and_(
                parent.c.ended_us.is_(None), or_(parent.c.until_us.is_(None), parent.c.until_us > now_us)
            )))
            .where(or_(badge.c.person_id.is_(None), holder.c.active.is_(True)))
        )  # fmt: skip
        with reading(self._engine) as connection:
            rows = connection.execute(query).all()
        found = [(as_badge(r), None if r.p_id is None else as_person(r, "p_")) for r in rows]
        return [(b, p) for b, p in found if b.good(now_us)]

    def seen(self, number: int, now_us: int) -> None:
        """A badge was used. Not synced to disk, and in no audit trail: it is no change."""
        with writing(self._engine, durable=False, noted=False) as connection:
            connection.execute(update(badge).where(badge.c.id == number).values(seen_us=now_us))

    def use_up(self, digest: str, kind: str, now_us: int) -> Badge | None:
        """Ends a badge that is good once, and gives it to whoever was first; None: there is none that is good."""
        with writing(self._engine, noted=False) as connection:
            row = connection.execute(
                select(badge).where(badge.c.digest == digest, badge.c.kind == kind)
            ).one_or_none()  # fmt: skip
            if row is None or not as_badge(row).good(now_us):
                return None
            connection.execute(update(badge).where(badge.c.id == row.id).values(ended_us=now_us))
            return as_badge(row)

    def badges(self) -> list[tuple[Badge, str | None]]:
        """Every badge that was not ended, newest first, with the name of its person."""
        query = (
            select(badge, person.c.name.label("holder"))
            .join_from(badge, person, badge.c.person_id == person.c.id, isouter=True)
            .where(badge.c.ended_us.is_(None))
            .order_by(badge.c.id.desc())
        )
        with reading(self._engine) as connection:
            return [(as_badge(r), r.holder) for r in connection.execute(query)]

    def badges_of(self, number: int) -> list[Badge]:
        """Those of a person that were not ended, newest first."""
        mine = select(badge).where(badge.c.person_id == number, badge.c.ended_us.is_(None)).order_by(badge.c.id.desc())
        with reading(self._engine) as connection:
            return [as_badge(r) for r in connection.execute(mine)]

    def badge(self, number: int) -> Badge | None:
        """The badge of that number."""
        with reading(self._engine) as connection:
            row = connection.execute(select(badge).where(badge.c.id == number)).one_or_none()
        return None if row is None else as_badge(row)

    def end_badge(self, number: int, now_us: int, entry: Entry | None = None) -> bool:
        """Ends a badge and all that came from it; False: it had ended."""
        with writing(self._engine) as connection:
            row = connection.execute(select(badge).where(badge.c.id == number)).one_or_none()
            if row is not None:
                _mention(as_badge(row))
            ended = end(connection, badge.c.id == number, now_us)
            if entry is not None:
                trail.put(connection, entry)
        return bool(ended)


def end(connection: Connection, which: Any, now_us: int) -> int:
    """Ends the badges that meet a condition, and all that came from them; returns how many."""
    ended = select(badge.c.id).where(which, badge.c.ended_us.is_(None))
    numbers = [int(n) for n in connection.execute(ended).scalars()]
    below = numbers
    while below:  # sessions of a device, sessions of a link
        children = select(badge.c.id).where(badge.c.parent_id.in_(below), badge.c.ended_us.is_(None))
        below = [int(n) for n in connection.execute(children).scalars()]
        numbers += below
    connection.execute(update(badge).where(badge.c.id.in_(numbers)).values(ended_us=now_us))
    return len(numbers)


def as_badge(row: Any) -> Badge:
    """The badge in a row."""
    return Badge(**{c.name: getattr(row, c.name) for c in badge.c})


def _mention(which: Badge) -> None:
    trail.mention(
        kind=which.kind, title=which.title or None, person=which.person_id, rights=which.rights.split() or None
    )
