"""The door's own: who knocked too often, the key of its cookies, the first owner's code."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import BigInteger, Column, Integer, String, Table, delete, func, insert, or_, select, update

from collector.book.engine import writing
from collector.book.holding import alone
from collector.book.schema import metadata

if TYPE_CHECKING:
    from collections.abc import Iterable

    from sqlalchemy import Connection, Engine

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


class AttemptBook:
    """Attempts at the door, and what it keeps between starts; a part of `collector.book.people.PeopleBook`."""

    _engine: Engine

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


def unlock(connection: Connection, number: int) -> None:
    """Whoever of that number was locked out begins anew."""
    locked = or_(*(knock.c.key.like(f"{what} {number}{rest}") for what in ("person", "pin") for rest in ("", " %")))
    connection.execute(delete(knock).where(locked))


def use_first_code(connection: Connection, code: str, now_us: int) -> bool:
    """Takes the code of the first owner away; False: its digest is another, or its time is over."""
    stands = delete(door_key).where(
        door_key.c.name == "first owner", door_key.c.value == code, door_key.c.until_us > now_us
    )
    return bool(connection.execute(stands).rowcount)
