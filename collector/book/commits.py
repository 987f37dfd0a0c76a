"""What one commit writes, table by table, in the transaction of whoever calls."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, and_, bindparam, delete, func, insert, or_, select, update

from collector.book import schema
from collector.book.entries import EXCERPT_BYTES, BoxStatus, Checkpoint, NowEntry, RefusalEntry, SawCommit
from collector.book.rows import TABLES, to_row
from collector.facts import SECOND

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

REFUSALS_KEPT = 1000
"""So many folded refusals are kept; older ones leave, their counts stay."""

_FOLD_US = 3600 * SECOND  # refusals of one topic and code within an hour are one entry
_FOREVER = 2**62

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


def write_facts(connection: Connection, batch: Sequence[tuple[int, SawCommit]]) -> None:
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


def changed(saw_id: int, entry: SawCommit) -> list[tuple[int, int, int | None]]:
    """From when to when an entry changes facts."""
    starts = [f.start for f in entry.amended] + ([] if entry.replace_from_us is None else [entry.replace_from_us])
    if not starts:
        return []
    # What an amended fact was before may have reached farther than it does now.
    return [(saw_id, min(starts), None if entry.amended else entry.replace_to_us)]


def write_standing(connection: Connection, batch: Sequence[tuple[int, SawCommit]]) -> None:
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


def write_box(connection: Connection, saw_id: int, status: BoxStatus) -> None:
    """What a box said of itself."""
    t = schema.box.c
    other = and_(t.saw_id == saw_id, or_(t.online.is_(None), t.online != status.online))
    connection.execute(update(schema.box).where(other).values(online=status.online, since_us=status.since_us))


def write_refusals(connection: Connection, refusals: Sequence[RefusalEntry]) -> None:
    """Folds those alike of an hour into one, keeps the newest, and counts all."""
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
