"""The book: what the collector derived and what is known of each saw, in one relational database.

One process's collector writes facts; any number of threads and processes read at the same time and each read sees
one moment. People's entries are written by others, into tables of their own.
"""

from __future__ import annotations

import json
from collections import Counter
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Self

import numpy as np
from sqlalchemy import Connection, Engine, Table, and_, bindparam, delete, func, insert, or_, select, union_all, update

from collector.book import marks, schema
from collector.book.engine import open_engine, reading, writing
from collector.book.entries import (
    EXCERPT_BYTES,
    BookError,
    BoxEntry,
    BoxStatus,
    Checkpoint,
    NowEntry,
    Plan,
    Receipt,
    RefusalEntry,
    SawCommit,
    SawEntry,
    Stretch,
)
from collector.book.holding import alone, hold
from collector.book.outline import outline
from collector.book.rows import FROM_ROW, TABLES, order, to_row
from collector.book.sums import strike
from collector.book.upgrade import upgrade
from collector.facts import SECOND, Conflict, Cut, Fact, Run, State
from collector.marks import corrected_facts

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from types import TracebackType

    from numpy.typing import NDArray

    from collector.marks import Mark

REFUSALS_KEPT = 1000
"""So many folded refusals are kept; older ones leave, their counts stay."""

_FOLD_US = 3600 * SECOND  # refusals of one topic and code within an hour are one entry
_FOREVER = 2**62
_PER_SAW = (schema.checkpoint, schema.now, schema.box)  # tables with exactly one row a saw

# Compiled once: the same few statements run some ten times a second for years.
_DELETE_FACTS = {
    kind: delete(t).where(
        t.c.saw_id == bindparam("saw"), t.c.start_us >= bindparam("low"), t.c.start_us < bindparam("high")
    )
    for kind, t in TABLES.items()
}
_DELETE_ONE = {
    kind: delete(t).where(t.c.saw_id == bindparam("saw"), t.c.start_us == bindparam("start"))
    for kind, t in TABLES.items()
}
_DELETE_RESTS = delete(schema.rest).where(
    schema.rest.c.saw_id == bindparam("saw"),
    schema.rest.c.at_us >= bindparam("low"),
    schema.rest.c.at_us < bindparam("high"),
)
_UPDATE = {
    t: update(t)
    .where(t.c.saw_id == bindparam("saw"))
    .values({c: bindparam(f"new_{c.name}") for c in t.c if c.name != "saw_id"})
    for t in (schema.checkpoint, schema.now)
}
_CLEAN = delete(schema.dirty).where(schema.dirty.c.id == bindparam("stretch"))
_NAME_BOX = update(schema.box).where(schema.box.c.saw_id == bindparam("saw")).values(urn=bindparam("new_urn"))
_TOUCH = update(schema.saw).where(schema.saw.c.id == bindparam("saw")).values(revision=bindparam("value"))
_NEXT_REVISION = update(schema.revision).values(value=schema.revision.c.value + 1)


class Book:
    """An open book.

    Args:
        url: database URL; ``sqlite:////path/book.db`` or a PostgreSQL one. An empty or older database is brought to
            this program's schema.

    Raises:
        BookError: the URL is wrong, or a newer version of the program wrote the book.
    """

    def __init__(self, url: str) -> None:
        self._engine = open_engine(url)
        try:
            upgrade(self._engine)
        except BaseException:
            self._engine.dispose()
            raise
        self._ids: dict[str, int] = {}
        self._names: dict[int, str] = {}

    @property
    def engine(self) -> Engine:
        """How its database is reached: for the parts of the book that have a module of their own."""
        return self._engine

    def close(self) -> None:
        """Closes the connections; an open transaction of another thread fails."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def saying(self, saw: str, about: tuple[int, int] | None = None) -> Iterator[tuple[Connection, int]]:
        """A durable write transaction for what a person says about a saw, and the saw's key; readers learn of it.

        ``about``: from when to when facts count differently by what was said.

        Raises:
            BookError: the saw is not registered.
        """
        with writing(self._engine) as connection:
            saw_id = self._id(connection, saw)
            hold(connection, {saw_id})
            yield connection, saw_id
            connection.execute(_NEXT_REVISION)
            value = connection.execute(select(schema.revision.c.value)).scalar_one()
            connection.execute(_TOUCH, {"saw": saw_id, "value": value})
            if about is not None:
                strike(connection, [(saw_id, *about)])

    # Saws

    def open_saws(self, saws: Iterable[SawEntry]) -> None:
        """Registers the saws; a known one keeps what is known of it and takes the new title."""
        with writing(self._engine) as connection:
            alone(connection)
            t = schema.saw.c
            known = {name: (saw_id, title) for saw_id, name, title in connection.execute(select(t.id, t.name, t.title))}
            wanted = {entry.name: entry.title or entry.name for entry in saws}
            renamed = {
                known[name][0]: title for name, title in wanted.items() if name in known and known[name][1] != title
            }
            hold(connection, set(renamed))
            for saw_id, title in renamed.items():
                connection.execute(update(schema.saw).where(t.id == saw_id).values(title=title))
            for name in (name for name in wanted if name not in known):
                added = insert(schema.saw).values(name=name, title=wanted[name], revision=0)
                (saw_id,) = connection.execute(added).inserted_primary_key or (None,)
                for table in _PER_SAW:
                    connection.execute(insert(table).values(saw_id=saw_id))

    def saws(self) -> list[SawEntry]:
        """All registered saws, in order of their names."""
        query = select(schema.saw.c.name, schema.saw.c.title).order_by(schema.saw.c.name)
        with reading(self._engine) as connection:
            return [SawEntry(*row) for row in connection.execute(query)]

    # Writing what was derived

    def commit(
        self,
        batch: Sequence[SawCommit],
        refusals: Sequence[RefusalEntry] = (),
        boxes: Sequence[BoxStatus] = (),
        *,
        fence: Callable[[Connection], None] | None = None,
    ) -> None:
        """Writes one group in one transaction: all of it, or on an exception nothing.

        Entries of one saw take effect in the order of the batch, provided that their fact periods are disjoint.
        Survives the death of the process; a loss of power may take the newest facts, which the trace gives again,
        but no refusal.

        Args:
            batch: what changed for each saw.
            refusals: what was refused.
            boxes: what boxes said of themselves.
            fence: raises where others may write to these saws by now (`collector.book.leases.Leases.check`).

        Raises:
            BookError: a saw is not registered, or the fence is closed.
            sqlalchemy.exc.SQLAlchemyError: the database failed; nothing was written.
        """
        if not (batch or refusals or boxes):
            return
        with writing(self._engine, durable=bool(refusals)) as connection:
            entries = [(self._id(connection, entry.saw), entry) for entry in batch]
            touched = {saw_id for saw_id, _ in entries} | {self._id(connection, box.saw) for box in boxes}
            hold(connection, touched)
            if fence is not None:
                fence(connection)
            _write_facts(connection, entries)
            _write_standing(connection, entries)
            for status in boxes:
                _write_box(connection, self._id(connection, status.saw), status)
            if refusals:
                _write_refusals(connection, refusals)
            # Last: on PostgreSQL this row is where collectors queue, so it is locked for the shortest time.
            connection.execute(_NEXT_REVISION)
            value = connection.execute(select(schema.revision.c.value)).scalar_one()
            if touched:
                connection.execute(_TOUCH, [{"saw": saw_id, "value": value} for saw_id in sorted(touched)])
            strike(connection, [change for saw_id, entry in entries for change in _changed(saw_id, entry)])

    def commit_if_same(self, entry: SawCommit, before: Sequence[Fact]) -> bool:
        """Writes an entry that replaces a period, if the period's detected facts are still those of ``before``.

        For one who derives again beside a running collector: whatever that one changed meanwhile stays.

        Returns:
            whether it was written; not, too, where late readings wait to be derived in the period.

        Raises:
            BookError: the saw is not registered.
            ValueError: the entry replaces nothing, or has no end.
        """
        low, high = entry.replace_from_us, entry.replace_to_us
        if low is None or high is None:
            raise ValueError("an entry that replaces a closed period is wanted")
        with writing(self._engine) as connection:
            saw_id = self._id(connection, entry.saw)
            hold(connection, {saw_id})
            found = self._detected(connection, entry.saw, low, high, None)
            t = schema.dirty.c
            waits = select(t.id).where(t.saw_id == saw_id, t.from_us < high, t.to_us >= low).limit(1)
            if [f for f in found if f.start >= low] != list(before) or connection.execute(waits).first():
                return False
            _write_facts(connection, [(saw_id, entry)])
            connection.execute(_NEXT_REVISION)
            value = connection.execute(select(schema.revision.c.value)).scalar_one()
            connection.execute(_TOUCH, {"saw": saw_id, "value": value})
            strike(connection, _changed(saw_id, entry))
            return True

    def checkpoint(self, saw: str) -> Checkpoint | None:
        """Where the saw's derivation stands; None before its first reading."""
        table = schema.checkpoint
        row = self._one(saw, table, table.c.consumed_us, table.c.state)
        return None if row is None or row.consumed_us is None else Checkpoint(row.consumed_us, row.state)

    # Facts

    def facts(self, saw: str, start_us: int, end_us: int, kinds: Iterable[str] | None = None) -> list[Fact]:
        """The saw's facts that count: those detected, as people's marks have them (`collector.marks`).

        Arguments, order and errors as for `detected`.
        """
        with reading(self._engine) as connection:
            found = self._detected(connection, saw, start_us, end_us, kinds)
            saw_id = self._find(connection, saw)
            wanted = set(TABLES if kinds is None else kinds)
            if saw_id is None or not wanted & {Cut.kind, Run.kind}:
                return found
            low = min([start_us, *(f.start for f in found[:1])])
            high = max([end_us, *(f.end or end_us for f in found)])
            said = marks.standing(connection, saw_id, saw, low, high)
            if not said:
                return found
            found = corrected_facts(found, self._cuts_at(connection, saw, said), said)
        found = [
            f
            for f in found
            if f.kind in wanted and f.start < end_us and (f.end is None or f.end > start_us or f.start >= start_us)
        ]
        found.sort(key=order)
        return found

    def detected(self, saw: str, start_us: int, end_us: int, kinds: Iterable[str] | None = None) -> list[Fact]:
        """The saw's facts as they were derived, whatever people say about them.

        They overlap ``[start_us, end_us)``, in order of start; open ones reach to the end of time.

        Args:
            saw: name of the saw; an unknown one has no facts.
            start_us: start of the period, microseconds UTC.
            end_us: its end.
            kinds: kinds of facts (``run``, ``cut``, ``door_visit``, ``conflict``, ``gap``); None: all.

        Raises:
            ValueError: a kind does not exist.
        """
        with reading(self._engine) as connection:
            return self._detected(connection, saw, start_us, end_us, kinds)

    def _detected(
        self, connection: Connection, saw: str, start_us: int, end_us: int, kinds: Iterable[str] | None
    ) -> list[Fact]:
        wanted = list(TABLES) if kinds is None else list(dict.fromkeys(kinds))
        if unknown := [kind for kind in wanted if kind not in TABLES]:
            raise ValueError(f"no such kind of fact: {unknown[0]!r}; there are {', '.join(TABLES)}")
        found: list[Fact] = []
        saw_id = self._find(connection, saw)
        if saw_id is None:
            return []
        for kind in wanted:
            make = FROM_ROW[kind]
            found += [make(saw, row) for row in _overlapping(connection, TABLES[kind], saw_id, start_us, end_us)]
        found.sort(key=order)
        return found

    def _cuts_at(self, connection: Connection, saw: str, said: Sequence[Mark]) -> list[Cut]:
        """Every detected cut that a mark touches, in order of start, and others between."""
        low, high = min(m.start for m in said), max(m.end for m in said)
        return [f for f in self._detected(connection, saw, low, high, [Cut.kind]) if isinstance(f, Cut)]

    def outline(self, saw: str, start_us: int, end_us: int) -> NDArray[np.int64]:
        """The facts that `facts` gives as numbers, for reckoning with many: see `collector.outline`."""
        with reading(self._engine) as connection:
            saw_id = self._find(connection, saw)
            if saw_id is None:
                return np.empty((0, 4), np.int64)
            return outline(connection, saw_id, start_us, end_us)

    def count_cuts(self, start_us: int, end_us: int) -> dict[str, Counter[str]]:
        """How many cuts that count started in ``[start_us, end_us)``, for each saw by direction.

        Counted in the database, but for the saws about which somebody said something then.
        """
        t = schema.cut
        query = (
            select(schema.saw.c.name, t.c.direction, func.count())
            .join_from(schema.saw, t)
            .where(t.c.start_us >= start_us, t.c.start_us < end_us)
            .group_by(schema.saw.c.name, t.c.direction)
        )
        counts: dict[str, Counter[str]] = {}
        with reading(self._engine) as connection:
            for name, direction, number in connection.execute(query):
                counts.setdefault(name, Counter())[direction] = number
            marked = marks.marked_saws(connection, start_us, end_us)
        for name in marked:
            cuts = [c for c in self.facts(name, start_us, end_us, [Cut.kind]) if c.start >= start_us]
            counts[name] = Counter(c.direction.value for c in cuts if isinstance(c, Cut))
        return {name: count for name, count in counts.items() if count}

    # The present

    def now(self, saw: str) -> NowEntry | None:
        """The saw's present; None before its first reading."""
        row = self._one(saw, schema.now, *schema.now.c)
        return None if row is None or row.at_us is None else _now(saw, row)

    def nows(self) -> dict[str, NowEntry]:
        """The present of every saw that was ever heard, by name, as of one moment."""
        query = select(schema.saw.c.name, *schema.now.c).join_from(schema.saw, schema.now)
        with reading(self._engine) as connection:
            rows = connection.execute(query.where(schema.now.c.at_us.is_not(None)).order_by(schema.saw.c.name))
            return {row.name: _now(row.name, row) for row in rows}

    def box(self, saw: str) -> BoxEntry:
        """What is known of the saw's box."""
        row = self._one(saw, schema.box, *schema.box.c)
        return BoxEntry(saw, None, None, None) if row is None else BoxEntry(saw, row.urn, row.online, row.since_us)

    def boxes(self) -> list[BoxEntry]:
        """What is known of every saw's box, in order of the saws' names."""
        t = schema.box.c
        query = select(schema.saw.c.name, t.urn, t.online, t.since_us).join_from(schema.saw, schema.box)
        with reading(self._engine) as connection:
            return [BoxEntry(*row) for row in connection.execute(query.order_by(schema.saw.c.name))]

    def revision(self) -> int:
        """Grows with every commit; one row, cheap to ask for several times a second."""
        with reading(self._engine) as connection:
            return int(connection.execute(select(schema.revision.c.value)).scalar_one())

    def changed(self, since: int) -> list[str]:
        """Names of the saws that a commit after revision ``since`` touched."""
        query = select(schema.saw.c.name).where(schema.saw.c.revision > since).order_by(schema.saw.c.name)
        with reading(self._engine) as connection:
            return list(connection.execute(query).scalars())

    # Deriving again

    def rest_before(self, saw: str, at_us: int) -> int | None:
        """The newest rest point before ``at_us`` that no fact spans: from there facts may be derived afresh."""
        t = schema.rest
        with reading(self._engine) as connection:
            saw_id = self._find(connection, saw)
            while saw_id is not None:
                newest = select(func.max(t.c.at_us)).where(t.c.saw_id == saw_id, t.c.at_us < at_us)
                point = connection.execute(newest).scalar()
                if point is None:
                    return None
                spanning = [
                    row.start_us
                    for table in TABLES.values()
                    for row in _overlapping(connection, table, saw_id, point, point + 1)
                    if row.start_us < point
                ]
                if not spanning:
                    return int(point)
                at_us = min(spanning) + 1
        return None

    def last_rest(self, saw: str) -> int | None:
        """The newest rest point."""
        row = self._one(saw, schema.rest, func.max(schema.rest.c.at_us).label("at_us"))
        return None if row is None else row.at_us

    def beginning(self, saw: str) -> int | None:
        """The earliest moment that the book knows of a saw: its first fact or rest point."""
        tables = (*((t, t.c.start_us) for t in TABLES.values()), (schema.rest, schema.rest.c.at_us))
        with reading(self._engine) as connection:
            saw_id = self._find(connection, saw)
            firsts = [
                select(func.min(column).label("at_us")).where(table.c.saw_id == saw_id) for table, column in tables
            ]
            found = connection.execute(select(func.min(union_all(*firsts).subquery().c.at_us))).scalar()
        return None if found is None else int(found)

    def rests(self, saw: str, after_us: int, limit: int = 64) -> list[int]:
        """The first ``limit`` rest points later than ``after_us``, in order."""
        t = schema.rest
        with reading(self._engine) as connection:
            saw_id = self._find(connection, saw)
            query = select(t.c.at_us).where(t.c.saw_id == saw_id, t.c.at_us > after_us).order_by(t.c.at_us).limit(limit)
            return [] if saw_id is None else list(connection.execute(query).scalars())

    def mark_dirty(self, spans: Mapping[str, tuple[int, int]]) -> dict[str, Stretch]:
        """Notes, durably, that the trace between two readings changes or changed and must be derived again.

        Args:
            spans: first and last reading, by saw.

        Raises:
            BookError: a saw is not registered.
        """
        marked = {}
        with writing(self._engine) as connection:
            for saw, (from_us, to_us) in spans.items():
                values = {"saw_id": self._id(connection, saw), "from_us": from_us, "to_us": to_us}
                key = connection.execute(insert(schema.dirty).values(values)).inserted_primary_key
                assert key is not None
                marked[saw] = Stretch(from_us, to_us, key[0])
        return marked

    def dirty_saws(self) -> list[str]:
        """The saws that have dirty stretches, in order of their names."""
        query = select(schema.saw.c.name).where(schema.saw.c.id.in_(select(schema.dirty.c.saw_id)))
        with reading(self._engine) as connection:
            return list(connection.execute(query.order_by(schema.saw.c.name)).scalars())

    def dirty(self, saw: str) -> list[Stretch]:
        """The saw's dirty stretches, in order of their starts."""
        t = schema.dirty
        with reading(self._engine) as connection:
            query = select(t.c.from_us, t.c.to_us, t.c.id).where(t.c.saw_id == self._find(connection, saw))
            return [Stretch(*row) for row in connection.execute(query.order_by(t.c.from_us, t.c.id))]

    # Receipts of packs with relative times

    def put_receipts(self, receipts: Sequence[Receipt]) -> None:
        """Notes, durably, when packs with relative times were received; the newest of a saw and ``mid`` is kept."""
        t = schema.receipt
        with writing(self._engine) as connection:
            newest = {(self._id(connection, r.saw), r.mid): r for r in receipts}
            keys = [{"saw": saw_id, "of": mid} for saw_id, mid in newest]
            same = delete(t).where(t.c.saw_id == bindparam("saw"), t.c.mid == bindparam("of"))
            connection.execute(same, keys)
            rows = [
                {"saw_id": saw_id, "mid": mid, "digest": r.digest, "received_us": r.received_us}
                for (saw_id, mid), r in newest.items()
            ]
            connection.execute(insert(t), rows)

    def receipt(self, saw: str, mid: int) -> Receipt | None:
        """The receipt noted for a packet identifier."""
        t = schema.receipt
        with reading(self._engine) as connection:
            mine = (t.c.saw_id == self._find(connection, saw), t.c.mid == mid)
            row = connection.execute(select(t.c.digest, t.c.received_us).where(*mine)).one_or_none()
        return None if row is None else Receipt(saw, mid, row.digest, row.received_us)

    # Refusals

    def refusals(self, limit: int = 100, before: int | None = None) -> list[RefusalEntry]:
        """The newest folded refusals, newest entry first; ``before``: only those with a smaller ``id`` (paging)."""
        t = schema.refusal
        columns = (
            t.c.topic,
            t.c.saw,
            t.c.code,
            t.c.reason,
            t.c.first_us,
            t.c.last_us,
            t.c.excerpt,
            t.c.occurrences,
        )
        query = select(*columns, t.c.id).order_by(t.c.id.desc()).limit(limit)
        if before is not None:
            query = query.where(t.c.id < before)
        with reading(self._engine) as connection:
            return [RefusalEntry(*row) for row in connection.execute(query)]

    def refusal_counts(self) -> dict[tuple[str, str], int]:
        """All refusals ever, by saw (``""``: none of ours) and code."""
        t = schema.refusal_count
        with reading(self._engine) as connection:
            return {(row[0], row[1]): row[2] for row in connection.execute(select(t.c.saw, t.c.code, t.c.count))}

    # Shift plans

    def put_plan(self, body: object, valid_from_us: int) -> None:
        """Keeps a version of the shift plan (a JSON value); one with the same start is replaced."""
        t = schema.plan
        text = json.dumps(body, ensure_ascii=False, sort_keys=True)
        with writing(self._engine) as connection:
            alone(connection)
            same = update(t).where(t.c.valid_from_us == valid_from_us).values(body=text)
            if not connection.execute(same).rowcount:
                connection.execute(insert(t).values(valid_from_us=valid_from_us, body=text))
            connection.execute(_NEXT_REVISION)

    def plans(self) -> list[Plan]:
        """All versions of the shift plan, in order of their starts."""
        t = schema.plan
        with reading(self._engine) as connection:
            rows = connection.execute(select(t.c.valid_from_us, t.c.body).order_by(t.c.valid_from_us))
            return [Plan(start, json.loads(body)) for start, body in rows]

    def plan(self, at_us: int) -> Plan | None:
        """The version of the shift plan in force at a time; None before the first."""
        versions = [version for version in self.plans() if version.valid_from_us <= at_us]
        return versions[-1] if versions else None

    # Inside

    def _find(self, connection: Connection, saw: str) -> int | None:
        if (saw_id := self._ids.get(saw)) is None:
            saw_id = connection.execute(select(schema.saw.c.id).where(schema.saw.c.name == saw)).scalar()
            if saw_id is not None:
                self._ids[saw] = saw_id
        return saw_id

    def _id(self, connection: Connection, saw: str) -> int:
        saw_id = self._find(connection, saw)
        if saw_id is None:
            raise BookError(f"the book knows no saw {saw!r}; register it with open_saws first")
        return saw_id

    def _one(self, saw: str, table: Table, *columns: Any) -> Any:
        with reading(self._engine) as connection:
            query = select(*columns).where(table.c.saw_id == self._find(connection, saw))
            return connection.execute(query).one_or_none()


def _overlapping(connection: Connection, table: Table, saw_id: int, start: int, end: int) -> list[Any]:
    """Rows of the saw that overlap ``[start, end)``; each query reads little more than what it returns."""
    t = table.c
    inside = select(table).where(t.saw_id == saw_id, t.start_us >= start, t.start_us < end)
    rows = list(connection.execute(inside))
    before = select(table).where(t.saw_id == saw_id, t.start_us < start)
    if table is TABLES[Conflict.kind]:  # several can be on at once, and they are few
        before = before.where(or_(t.end_us.is_(None), t.end_us > start))
    else:  # facts of one kind follow one another: only the last before can reach into the period
        before = before.order_by(t.start_us.desc()).limit(1)
    return [row for row in connection.execute(before) if row.end_us is None or row.end_us > start] + rows


def _write_facts(connection: Connection, batch: Sequence[tuple[int, SawCommit]]) -> None:
    """All saws' deletions, then all insertions: a statement a table, however many saws the group holds."""
    replaced = [_range(i, e.replace_from_us, e.replace_to_us) for i, e in batch if e.replace_from_us is not None]
    for statement in _DELETE_FACTS.values() if replaced else ():
        connection.execute(statement, replaced)
    amended: dict[str, list[dict[str, Any]]] = {}
    for saw_id, entry in batch:
        for fact in entry.amended:
            amended.setdefault(fact.kind, []).append({"saw": saw_id, "start": fact.start})
    for kind, keys in amended.items():
        connection.execute(_DELETE_ONE[kind], keys)
    rows: dict[str, list[dict[str, Any]]] = {}
    for saw_id, entry in batch:
        for fact in (*entry.facts, *entry.amended):
            rows.setdefault(fact.kind, []).append(to_row(saw_id, fact))
    for kind, values in rows.items():
        connection.execute(insert(TABLES[kind]), values)
    emptied = [_range(i, e.rests_from_us, e.replace_to_us) for i, e in batch if e.rests_from_us is not None]
    if emptied:
        connection.execute(_DELETE_RESTS, emptied)
    if rests := [{"saw_id": saw_id, "at_us": at} for saw_id, e in batch for at in e.rests]:
        connection.execute(insert(schema.rest), rests)


def _changed(saw_id: int, entry: SawCommit) -> list[tuple[int, int, int | None]]:
    """From when to when an entry changes facts."""
    starts = [f.start for f in entry.amended] + ([] if entry.replace_from_us is None else [entry.replace_from_us])
    if not starts:
        return []
    # What an amended fact was before may have reached farther than it does now.
    return [(saw_id, min(starts), None if entry.amended else entry.replace_to_us)]


def _write_standing(connection: Connection, batch: Sequence[tuple[int, SawCommit]]) -> None:
    """Where each saw stands now; the last entry of a saw counts."""
    points = {saw_id: _checkpoint_row(saw_id, e.checkpoint) for saw_id, e in batch if e.checkpoint}
    if points:
        connection.execute(_UPDATE[schema.checkpoint], list(points.values()))
    nows = {saw_id: _now_row(saw_id, e.now) for saw_id, e in batch if e.now}
    if nows:
        connection.execute(_UPDATE[schema.now], list(nows.values()))
    if cleaned := [{"stretch": stretch.id} for _, e in batch for stretch in e.cleaned]:
        connection.execute(_CLEAN, cleaned)
    if boxes := [{"saw": saw_id, "new_urn": e.box} for saw_id, e in batch if e.box is not None]:
        connection.execute(_NAME_BOX, boxes)


def _checkpoint_row(saw_id: int, point: Checkpoint) -> dict[str, Any]:
    return {"saw": saw_id, "new_consumed_us": point.consumed_us, "new_state": point.state}


def _range(saw_id: int, low: int | None, high: int | None) -> dict[str, int | None]:
    return {"saw": saw_id, "low": low, "high": _FOREVER if high is None else high}


def _now_row(saw_id: int, now: NowEntry) -> Mapping[str, Any]:
    return {
        "saw": saw_id,
        "new_at_us": now.at,
        "new_state": now.state.value,
        "new_since_us": now.since,
        "new_amps_ma": now.amps_ma,
        "new_locked": now.locked,
        "new_station": now.station,
        "new_door_closed": now.door_closed,
        "new_clock_skew_us": now.clock_skew_us,
    }


def _now(saw: str, row: Any) -> NowEntry:
    return NowEntry(
        saw,
        row.at_us,
        State(row.state),
        row.since_us,
        row.amps_ma,
        row.locked,
        row.station,
        row.door_closed,
        row.clock_skew_us,
    )


def _write_box(connection: Connection, saw_id: int, status: BoxStatus) -> None:
    t = schema.box.c
    changed = and_(t.saw_id == saw_id, or_(t.online.is_(None), t.online != status.online))
    connection.execute(update(schema.box).where(changed).values(online=status.online, since_us=status.since_us))


def _write_refusals(connection: Connection, refusals: Sequence[RefusalEntry]) -> None:
    t = schema.refusal
    counts: Counter[tuple[str, str]] = Counter()
    for entry in refusals:
        counts[entry.saw or "", entry.code] += entry.occurrences
        topic, excerpt = entry.topic[:256], entry.excerpt[:EXCERPT_BYTES]
        alike = and_(t.c.topic == topic, t.c.code == entry.code, t.c.last_us > entry.first_us - _FOLD_US)
        newest = select(func.max(t.c.id)).where(alike).scalar_subquery()
        folded = update(t).where(t.c.id == newest)
        values = {"last_us": entry.last_us, "reason": entry.reason, "excerpt": excerpt}
        if connection.execute(folded.values(**values, occurrences=t.c.occurrences + entry.occurrences)).rowcount:
            continue
        fixed = {"topic": topic, "saw": entry.saw, "code": entry.code, "first_us": entry.first_us}
        connection.execute(insert(t).values(**fixed, **values, occurrences=entry.occurrences))
    last_kept = select(t.c.id).order_by(t.c.id.desc()).offset(REFUSALS_KEPT).limit(1).scalar_subquery()
    connection.execute(delete(t).where(t.c.id <= last_kept))
    c = schema.refusal_count
    for (saw, code), number in counts.items():
        same = update(c).where(c.c.saw == saw, c.c.code == code).values(count=c.c.count + number)
        if not connection.execute(same).rowcount:
            connection.execute(insert(c).values(saw=saw, code=code, count=number))
