"""People, the badges that open the door for them, and who knocked too often.

A *badge* is whatever opens the door: a session, a paired phone, the link of a TV, a token of a program. Of each the
book keeps a digest, never the secret itself.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
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
    and_,
    delete,
    func,
    insert,
    or_,
    select,
    update,
)

from collector.book import audit as trail
from collector.book.engine import reading, writing
from collector.book.entries import BookError
from collector.book.holding import alone
from collector.book.schema import metadata
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Iterable

    from sqlalchemy import Connection, Engine

    from collector.book.audit import Entry
    from collector.book.book import Book

person = Table(
    "person",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", String(64), nullable=False),
    Column("login", String(64), nullable=False, unique=True),  # the name with case folded
    Column("role", String(32), nullable=False),
    Column("password", String(256)),  # salted scrypt; null: none
    Column("pin", String(256)),  # the same, only good on a paired device
    Column("active", Boolean, nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("erased_us", BigInteger),
)

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

knock = Table(  # failed attempts, by what was knocked at and from where
    "knock",
    metadata,
    Column("key", String(200), primary_key=True),
    Column("failures", Integer, nullable=False),
    Column("last_us", BigInteger, nullable=False),
    Column("free_us", BigInteger, nullable=False),  # locked until then
)

door_key = Table(  # what the door must keep between starts: the key of its cookies, the first owner's code
    "door_key",
    metadata,
    Column("name", String(32), primary_key=True),
    Column("value", String(200), nullable=False),
    Column("until_us", BigInteger),
)


KNOCKS_MOST = 20_000
"""Rows of failed attempts that are kept; those that lock nothing and are oldest go first."""
FORGOTTEN_US = 86_400_000_000
"""After so long without an attempt those before are not counted any more."""


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody with an account; ``password`` and ``pin`` are salted hashes or None."""

    id: int
    name: str
    role: str
    password: str | None
    pin: str | None
    active: bool
    made_us: int
    erased_us: int | None = None


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


@dataclass(frozen=True, slots=True)
class Erased:
    """What stands in place of a name, and in how many texts that people wrote it still stands."""

    alias: str
    mentions: int


class NameTakenError(BookError):
    """There is somebody of that name."""


class LastOwnerError(BookError):
    """Nobody would be left who may let people in."""


def login(name: str) -> str:
    """The form of a name by which it is told from others."""
    return " ".join(name.split()).casefold()


class PeopleBook:
    """People, badges and the audit trail of an open book; safe to use from many threads."""

    def __init__(self, book: Book) -> None:
        self._engine: Engine = book.engine

    # People

    def people(self) -> list[Person]:
        """Everybody, in order of their names; those erased too."""
        with reading(self._engine) as connection:
            return [_person(r) for r in connection.execute(select(person).order_by(person.c.login))]

    def named(self, name: str) -> Person | None:
        """The person of that name, whoever wrote it in which case."""
        with reading(self._engine) as connection:
            row = connection.execute(select(person).where(person.c.login == login(name))).one_or_none()
        return None if row is None else _person(row)

    def person(self, number: int) -> Person | None:
        """The person of that number."""
        with reading(self._engine) as connection:
            row = connection.execute(select(person).where(person.c.id == number)).one_or_none()
        return None if row is None else _person(row)

    def owned(self) -> bool:
        """Whether there is an owner who can sign in."""
        with reading(self._engine) as connection:
            return _owners(connection) > 0

    def add_person(
        self, name: str, role: str, now_us: int, *, password: str | None = None, pin: str | None = None
    ) -> Person:
        """Enters somebody; ``password`` and ``pin`` are hashes.

        Raises:
            NameTakenError: there is somebody of that name, or was.
        """
        with writing(self._engine) as connection:
            made = _enter(connection, name, role, now_us, password, pin)
            trail.mention(person=made.id, role=role)
            return made

    def first_owner(self, name: str, password: str, now_us: int, code: str, entry: Entry) -> Person | None:
        """Enters the first owner, if the code is the one that stands and nobody was quicker; None: it is not.

        Args:
            name: of the person.
            password: its hash.
            now_us: the present.
            code: digest of the code.
            entry: for the audit trail.

        Raises:
            NameTakenError: there is somebody of that name.
        """
        with writing(self._engine) as connection:
            stands = delete(door_key).where(
                door_key.c.name == "first owner", door_key.c.value == code, door_key.c.until_us > now_us
            )
            if not connection.execute(stands).rowcount:
                return None
            made = _enter(connection, name, "owner", now_us, password, None)
            trail.put(connection, entry)
            return made

    def change_person(
        self,
        number: int,
        now_us: int,
        *,
        keep_badge: int | None = None,
        columns: Iterable[Column[Any]] = (),
        **fields: Any,
    ) -> None:
        """Changes columns of a person; whoever is shut out or has a new password or PIN loses all sessions and phones.

        Args:
            number: of the person.
            now_us: the present.
            keep_badge: the one that does not end.
            columns: those that hold names of people; a new name is put there, too, so that it can be erased one day.
            fields: values by column.

        Raises:
            LastOwnerError: it would leave no owner who can sign in.
            NameTakenError: the new name is another's.
        """
        with writing(self._engine) as connection:
            trail.mention(person=number)
            owners = _owners(connection)
            if "name" in fields:
                fields["login"] = login(fields["name"])
                _check_free(connection, fields["login"], number)
                before = connection.execute(select(person.c.name).where(person.c.id == number)).scalar()
                for column in columns:
                    connection.execute(
                        update(column.table).where(column == before).values({column.name: fields["name"]})
                    )
            connection.execute(update(person).where(person.c.id == number).values(fields))
            _check_owner(connection, owners)
            if fields.keys() & {"active", "password", "pin"}:
                _end(connection, and_(badge.c.person_id == number, badge.c.id != (keep_badge or 0)), now_us)
                locked = or_(
                    *(knock.c.key.like(f"{what} {number}{rest}") for what in ("person", "pin") for rest in ("", " %"))
                )
                connection.execute(delete(knock).where(locked))  # whoever was locked out begins anew

    def erase(self, number: int, now_us: int, columns: Iterable[Column[Any]], texts: Iterable[Column[Any]]) -> Erased:
        """Puts a name without meaning in place of a person's, wherever the book says it, and ends all badges.

        Args:
            number: of the person.
            now_us: the present.
            columns: all columns that hold names of people.
            texts: columns of what people wrote with their own hands, in which the name is only counted.

        Returns:
            What stands in place of the name now, and in how many texts it is still written.

        Raises:
            BookError: there is no such person.
            LastOwnerError: it is the last owner.
        """
        with writing(self._engine) as connection:
            row = connection.execute(select(person).where(person.c.id == number)).one_or_none()
            if row is None:
                raise BookError(f"there is no person {number}")
            trail.mention(person=number)
            owners = _owners(connection)
            alias = f"person {number}"
            gone = {"password": None, "pin": None, "active": False, "erased_us": now_us}
            connection.execute(
                update(person).where(person.c.id == number).values(name=alias, login=f"#{number}", **gone)
            )
            _check_owner(connection, owners)
            for column in columns:
                connection.execute(update(column.table).where(column == row.name).values({column.name: alias}))
            _end(connection, badge.c.person_id == number, now_us)
            connection.execute(update(badge).where(badge.c.person_id == number).values(title=""))
            word = re.compile(rf"(?<!\w){re.escape(row.name)}(?!\w)", re.IGNORECASE)
            for column in (trail.audit.c.detail, trail.audit.c.through, badge.c.title):  # such as "phone of …"
                for key, text in _holding(connection, column, word):
                    values = {column.name: word.sub(alias, text)[: getattr(column.type, "length", None)]}
                    connection.execute(update(column.table).where(column.table.c.id == key).values(values))
            mentions = sum(len(_holding(connection, column, word)) for column in texts)
            return Erased(alias, mentions)

    # Badges

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
        found = [
            (_badge(r), None if r.p_id is None else Person(**{f: getattr(r, f"p_{f}") for f in _PERSON})) for r in rows
        ]
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
            if row is None or not _badge(row).good(now_us):
                return None
            connection.execute(update(badge).where(badge.c.id == row.id).values(ended_us=now_us))
            return _badge(row)

    def badges(self) -> list[tuple[Badge, str | None]]:
        """Every badge that was not ended, newest first, with the name of its person."""
        query = (
            select(badge, person.c.name.label("holder"))
            .join_from(badge, person, badge.c.person_id == person.c.id, isouter=True)
            .where(badge.c.ended_us.is_(None))
            .order_by(badge.c.id.desc())
        )
        with reading(self._engine) as connection:
            return [(_badge(r), r.holder) for r in connection.execute(query)]

    def badges_of(self, number: int) -> list[Badge]:
        """Those of a person that were not ended, newest first."""
        mine = select(badge).where(badge.c.person_id == number, badge.c.ended_us.is_(None)).order_by(badge.c.id.desc())
        with reading(self._engine) as connection:
            return [_badge(r) for r in connection.execute(mine)]

    def badge(self, number: int) -> Badge | None:
        """The badge of that number."""
        with reading(self._engine) as connection:
            row = connection.execute(select(badge).where(badge.c.id == number)).one_or_none()
        return None if row is None else _badge(row)

    def end_badge(self, number: int, now_us: int, entry: Entry | None = None) -> bool:
        """Ends a badge and all that came from it; False: it had ended."""
        with writing(self._engine) as connection:
            row = connection.execute(select(badge).where(badge.c.id == number)).one_or_none()
            if row is not None:
                _mention(_badge(row))
            ended = _end(connection, badge.c.id == number, now_us)
            if entry is not None:
                trail.put(connection, entry)
        return bool(ended)

    # The door's own

    def key(self, name: str, fresh: str) -> str:
        """A value that stays the same between starts, ``fresh`` where there is none yet."""
        with writing(self._engine, noted=False) as connection:
            alone(connection)
            known = connection.execute(select(door_key.c.value).where(door_key.c.name == name)).scalar()
            if known is None:
                connection.execute(insert(door_key).values(name=name, value=fresh))
            return str(known or fresh)

    def set_key(self, name: str, value: str, until_us: int) -> None:
        """Puts a value in place of the one before, good until then."""
        with writing(self._engine, noted=False) as connection:
            alone(connection)
            connection.execute(delete(door_key).where(door_key.c.name == name))
            connection.execute(insert(door_key).values(name=name, value=value, until_us=until_us))

    def knocked(self, keys: dict[str, tuple[int, int, int]], now_us: int) -> int:
        """Counts an attempt before it is judged, so that many at once are counted, too.

        Args:
            keys: by what the attempt is counted: how many are free, the first wait and the longest one [µs].
            now_us: the present.

        Returns:
            Until when it is locked; 0: it is free, and counted.
        """
        with writing(self._engine, noted=False) as connection:
            alone(connection)
            rows = {r.key: r for r in connection.execute(select(knock).where(knock.c.key.in_(keys)))}
            locked = max((r.free_us for r in rows.values()), default=0)
            if locked > now_us:
                return int(locked)
            for key, (free, first, longest) in keys.items():
                row = rows.get(key)
                count = 1 if row is None or now_us - row.last_us > FORGOTTEN_US else int(row.failures) + 1
                wait = 0 if count < free else min(first << min(count - free, 40), longest)
                values = {"failures": count, "last_us": now_us, "free_us": now_us + wait if wait else 0}
                if row is None:
                    connection.execute(insert(knock).values(key=key, **values))
                else:
                    connection.execute(update(knock).where(knock.c.key == key).values(values))
            over = int(connection.execute(select(func.count()).select_from(knock)).scalar_one()) - KNOCKS_MOST
            if over > 0:  # names and addresses can be invented without end
                oldest = select(knock.c.key).order_by(knock.c.free_us, knock.c.last_us).limit(over)
                connection.execute(delete(knock).where(knock.c.key.in_(oldest.scalar_subquery())))
        return 0

    def forgive(self, keys: Iterable[str]) -> None:
        """The attempt was right: those counted under these keys are forgotten."""
        with writing(self._engine, noted=False) as connection:
            connection.execute(delete(knock).where(knock.c.key.in_(list(keys))))

    # The audit trail

    def note(self, entry: Entry) -> None:
        """Adds an entry about what changes nothing in the book."""
        with writing(self._engine, noted=False) as connection:
            trail.put(connection, entry)

    def entries(
        self,
        *,
        before: int | None = None,
        who: str | None = None,
        limit: int = 100,
        acts: Iterable[str] = (),
        about: Iterable[str] = (),
        from_us: int | None = None,
        to_us: int | None = None,
    ) -> list[Entry]:
        """Entries of the audit trail, newest first.

        Args:
            before: older than the entry of that number.
            who: of that one alone.
            limit: at most so many.
            acts: patterns of SQL's LIKE, of which the act is like one; none: every act.
            about: texts of which one stands in the act or what was sent, in whatever case.
            from_us: not before that.
            to_us: before that.
        """
        t = trail.audit.c
        query = select(trail.audit).order_by(t.id.desc()).limit(limit)
        if before is not None:
            query = query.where(t.id < before)
        if who is not None:
            query = query.where(t.who == who)
        if from_us is not None:
            query = query.where(t.at_us >= from_us)
        if to_us is not None:
            query = query.where(t.at_us < to_us)
        like = [t.did.like(act) for act in acts]
        holds = [c.icontains(text, autoescape=True) for text in about for c in (t.did, t.detail, t.who, t.through)]
        query = query.where(*(or_(*any_of) for any_of in (like, holds) if any_of))
        with reading(self._engine) as connection:
            return [trail.Entry(**{c.name: getattr(r, c.name) for c in t}) for r in connection.execute(query)]

    def tidy(self, *, ended_before_us: int, noted_before_us: int, knocked_before_us: int, refusals: int) -> None:
        """Forgets badges that ended, entries of the audit trail and attempts that are older than that.

        Of the entries about refused attempts no more than ``refusals`` stay, the newest.
        """
        unseen = badge.c.seen_us + badge.c.idle_us < ended_before_us
        over = or_(badge.c.ended_us < ended_before_us, badge.c.until_us < ended_before_us, unseen)
        t = trail.audit.c
        refused = t.did.like("was refused%")
        newest = select(t.id).where(refused).order_by(t.id.desc()).offset(refusals).limit(1).scalar_subquery()
        with writing(self._engine, noted=False) as connection:
            doomed = select(badge.c.id).where(over).scalar_subquery()
            connection.execute(delete(badge).where(badge.c.parent_id.in_(doomed)))
            connection.execute(delete(badge).where(over))
            connection.execute(delete(trail.audit).where(trail.audit.c.at_us < noted_before_us))
            connection.execute(delete(trail.audit).where(refused, t.id <= newest))
            connection.execute(delete(knock).where(knock.c.last_us < knocked_before_us))


_PERSON = ("id", "name", "role", "password", "pin", "active", "made_us", "erased_us")


def _person(row: Any) -> Person:
    return Person(**{f: getattr(row, f) for f in _PERSON})


def _badge(row: Any) -> Badge:
    return Badge(**{c.name: getattr(row, c.name) for c in badge.c})


def _mention(which: Badge) -> None:
    trail.mention(
        kind=which.kind, title=which.title or None, person=which.person_id, rights=which.rights.split() or None
    )


def _holding(connection: Connection, column: Column[Any], word: re.Pattern[str]) -> list[tuple[Any, str]]:
    """Keys and texts of the rows whose text has the word."""
    (key, *_) = column.table.primary_key.columns
    rows = connection.execute(select(key, column).where(column.is_not(None))).all()
    return [(number, text) for number, text in rows if word.search(text)]


def _check_free(connection: Connection, wanted: str, number: int = 0) -> None:
    query = select(person.c.id).where(person.c.login == wanted, person.c.id != number)
    if connection.execute(query).scalar() is not None:
        raise NameTakenError(later("there is somebody of that name; names must tell people apart"))


def _enter(connection: Connection, name: str, role: str, now_us: int, password: str | None, pin: str | None) -> Person:
    _check_free(connection, login(name))
    values = {"name": name, "role": role, "password": password, "pin": pin, "active": True, "made_us": now_us}
    key = connection.execute(insert(person).values(login=login(name), **values)).inserted_primary_key
    assert key is not None
    return Person(id=int(key[0]), **values)  # type: ignore[arg-type]


def _owners(connection: Connection) -> int:
    able = and_(person.c.role == "owner", person.c.active.is_(True), person.c.password.is_not(None))
    return int(connection.execute(select(func.count()).where(able)).scalar_one())


def _check_owner(connection: Connection, before: int) -> None:
    if before and not _owners(connection):
        raise LastOwnerError(later("an owner with a password must be left; make somebody else owner first"))


def _end(connection: Connection, which: Any, now_us: int) -> int:
    ended = select(badge.c.id).where(which, badge.c.ended_us.is_(None))
    numbers = [int(n) for n in connection.execute(ended).scalars()]
    below = numbers
    while below:  # sessions of a device, sessions of a link
        children = select(badge.c.id).where(badge.c.parent_id.in_(below), badge.c.ended_us.is_(None))
        below = [int(n) for n in connection.execute(children).scalars()]
        numbers += below
    connection.execute(update(badge).where(badge.c.id.in_(numbers)).values(ended_us=now_us))
    return len(numbers)
