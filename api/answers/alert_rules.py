"""The rules: what in the facts is a condition that somebody must hear of. Each is a pure function of facts and time.

A rule reads what is known up to ``now`` and returns every condition that began by then, also those that are over: how
often it is asked changes nothing. Only the three that judge a present level (clock, disk, refusals) are told since when
the level was seen to be wrong, if it was: a level has a deadband, it is raised at one value and over at another.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

import numpy as np

from api.answers.alerts import Condition, Key
from api.answers.braking import BACK, LIMIT, slow
from api.answers.intervals import NOTHING, Spans
from api.answers.occurrences import Occurrence, Verdict
from api.answers.states import SILENCE, late
from collector.facts import SECOND, Conflict, Cut, Direction, DoorVisit, Gap, Run

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from api.answers.workdays import Workdays
    from collector.facts import Fact

CURRENT_WHILE_OPEN = "current_while_door_open"
CANNOT_START = "cannot_start"
CLOCK_REFUSAL = "time-out-of-range"

_JUDGED = 3600 * SECOND
"""A box whose newest reading is older than this is judged by no clock: it is silent."""


@dataclass(frozen=True, slots=True)
class Limits:
    """At what value each rule speaks; all can be set.

    Attributes:
        idling: the motor runs without a cut for longer, microseconds.
        skew: newest reading against its receipt, microseconds; over again below half of it.
        braking: time to standstill, microseconds (4 s: common practice, no source).
        braking_back: over again at or below.
        refusals: refused messages within an hour; over again below a quarter.
        disk_free: share of the disk that is free; over again 2 points above.
        remind: so long before the end of the shift a task that is due is reminded of, microseconds.
    """

    idling: int = 15 * 60 * SECOND
    skew: int = 120 * SECOND
    braking: int = LIMIT
    braking_back: int = BACK
    refusals: int = 20
    disk_free: float = 0.08
    remind: int = 5 * 60 * SECOND


@dataclass(frozen=True, slots=True)
class SawFacts:
    """What the rules know of one saw.

    Attributes:
        saw: its name.
        facts: its facts of the time that is looked at, in order of start.
        last_reading: its newest reading; None: never heard.
        skew: newest reading minus the time of its receipt; None: never heard over the broker.
        planned: planned working time of the time that is looked at.
        stops: braking times, as in `api.answers.braking`.
        refused: messages refused in the last hour.
        refused_clock: of them those with an impossible time.
        occurrences: the saw's maintenance, as of now.
    """

    saw: str
    facts: Sequence[Fact] = ()
    last_reading: int | None = None
    skew: int | None = None
    planned: Spans = field(default_factory=lambda: NOTHING)
    stops: NDArray[np.int64] = field(default_factory=lambda: np.empty((0, 2), np.int64))
    refused: int = 0
    refused_clock: int = 0
    occurrences: Sequence[Occurrence] = ()


class Port(Protocol):
    """What puts in conditions of its own, as `api.blade_watch` does for blades.

    Kinds must be in `api.answers.alert_kinds.KINDS`; a condition must be a function of what was known at its time.
    """

    def conditions(self, saw: str, start: int, now: int) -> Iterable[Condition]:
        """Conditions of a saw that are on, or began or ended after ``start``."""


def silence(facts: SawFacts, now: int) -> Iterator[Condition]:
    """The box says nothing in planned time: from the first planned moment of the silence until it speaks again.

    One whose clock goes slow, or that delivers late, is not silent: what counts at present is when it was last heard.
    """
    gaps = [(f.start, f.end) for f in facts.facts if isinstance(f, Gap)]
    if facts.last_reading is not None and now - facts.last_reading > SILENCE + late(facts.skew, _JUDGED):
        gaps = [g for g in gaps if g[1] is not None and g[0] < facts.last_reading]
        gaps.append((facts.last_reading, None))
    for start, end in gaps:
        after = facts.planned[facts.planned[:, 1] > start]
        if not len(after):
            continue
        begun = max(start, int(after[0, 0]))
        if begun <= now and (end is None or begun < end):
            yield Condition(Key("box-silent", facts.saw), begun, end, {"last_reading": start})


def idling(facts: SawFacts, now: int, limit: int) -> Iterator[Condition]:
    """The motor runs and no cut begins for longer than ``limit``."""
    key = Key("idling", facts.saw)
    cuts = [f for f in facts.facts if isinstance(f, Cut)]
    starts = [cut.start for cut in cuts]
    for run in (f for f in facts.facts if isinstance(f, Run)):
        at = run.start
        end = now if run.end is None else run.end
        for cut in cuts[bisect_left(starts, run.start) : bisect_left(starts, end)]:
            if cut.start - at > limit:
                yield Condition(key, at + limit, cut.start, {"since": at})
            at = now if cut.end is None else cut.end
        if end - at > limit:
            yield Condition(key, at + limit, run.end, {"since": at})


def slow_braking(facts: SawFacts, limit: int, back: int) -> Iterator[Condition]:
    """The middle of the last three braking times is above ``limit``, until it is at ``back`` or below."""
    for start, end, worst in slow(facts.stops, limit, back):
        detail = {"seconds": round(worst / SECOND, 2), "limit": limit / SECOND}
        yield Condition(Key("braking-slow", facts.saw), start, end, detail)


def early_door(facts: SawFacts) -> Iterator[Condition]:
    """The blade door was opened before the blade stood still."""
    for f in facts.facts:
        if isinstance(f, DoorVisit) and f.before_stop:
            yield Condition(Key("door-early", facts.saw), f.start, f.start, {"at": f.start})


def current_with_open_door(facts: SawFacts) -> Iterator[Condition]:
    """The motor drew current while the blade door was open."""
    for f in facts.facts:
        if isinstance(f, Conflict) and f.what == CURRENT_WHILE_OPEN:
            yield Condition(Key("current-door-open", facts.saw), f.start, f.end)


def stuck_motor(facts: SawFacts) -> Iterator[Condition]:
    """The motor's starting current stayed: it could not turn."""
    for f in facts.facts:
        if isinstance(f, Conflict) and f.what == CANNOT_START:
            yield Condition(Key("cannot-start", facts.saw), f.start, f.end)


def moved_beam(facts: SawFacts) -> Iterator[Condition]:
    """The lock opened or closed in the middle of a cut that began as a vertical one."""
    for f in facts.facts:
        if isinstance(f, Cut) and f.lock_moved and f.direction is Direction.VERTICAL:
            yield Condition(Key("beam-unlocked", facts.saw), f.start, f.start, {"at": f.start})


def wrong_clock(facts: SawFacts, now: int, limit: int, held: int | None) -> Iterator[Condition]:
    """The newest reading lies far from its receipt, or readings are refused for an impossible time.

    A box that has fallen silent is judged by no clock.
    """
    heard = facts.last_reading is not None and abs(now - facts.last_reading) < _JUDGED
    skew = abs(facts.skew) if facts.skew is not None and heard else 0
    if skew > (limit if held is None else limit // 2) or facts.refused_clock > 0:
        detail = {"seconds": None if facts.skew is None else round(facts.skew / SECOND), "refused": facts.refused_clock}
        yield Condition(Key("clock-wrong", facts.saw), now if held is None else held, None, detail)


def many_refusals(saw: str, refused: int, now: int, limit: int, held: int | None) -> Iterator[Condition]:
    """Messages are refused, more than ``limit`` within an hour; ``saw`` may be ``""``: of no saw of ours."""
    if refused > (limit if held is None else limit // 4):
        yield Condition(Key("refusals", saw), now if held is None else held, None, {"number": refused})


def full_disk(free: float, now: int, limit: float, held: int | None, *, free_bytes: int = 0) -> Iterator[Condition]:
    """The disk of the stores has little room; ``free`` is a share of it."""
    if free < (limit if held is None else limit + 0.02):
        detail = {"percent": round(100 * free, 1), "gigabytes": round(free_bytes / 1e9, 1)}
        yield Condition(Key("disk-full", ""), now if held is None else held, None, detail)


def maintenance(facts: SawFacts, days: Workdays, now: int, remind: int) -> Iterator[Condition]:
    """A task is due and the shift is about to end; a task was not done when its due day was over.

    A reminder ends with the due day, an overdue one when the task is done, this time or the next.
    """
    by_task: dict[str, list[Occurrence]] = {}
    for o in facts.occurrences:
        by_task.setdefault(o.task, []).append(o)
    for task, found in by_task.items():
        done = sorted(o.done for o in found if o.done is not None)
        for o in found:
            if o.not_due is not None:
                continue
            detail = {"task": task, "day": o.day.isoformat()}
            at = max(o.opens, days.shift_end(o.day) - remind)
            end = o.due if o.done is None else min(o.due, o.done)
            if at < end and at <= now:
                yield Condition(Key("task-due", o.saw, task), at, end, detail)
            if o.due <= now and (o.done is None or o.done >= o.due):
                later = next((t for t in done if t >= o.due), None)
                verdict = o.verdict(now)
                missed = verdict is Verdict.MISSED
                yield Condition(Key("task-overdue", o.saw, task), o.due, later, {**detail, "missed": missed})


def of_saw(
    facts: SawFacts, days: Workdays, limits: Limits, now: int, held: Callable[[Key], int | None]
) -> list[Condition]:
    """All conditions of a saw; ``held`` gives since when a level was seen to be wrong, None: it was not."""
    return [
        *silence(facts, now),
        *idling(facts, now, limits.idling),
        *slow_braking(facts, limits.braking, limits.braking_back),
        *early_door(facts),
        *current_with_open_door(facts),
        *stuck_motor(facts),
        *moved_beam(facts),
        *wrong_clock(facts, now, limits.skew, held(Key("clock-wrong", facts.saw))),
        *many_refusals(facts.saw, facts.refused, now, limits.refusals, held(Key("refusals", facts.saw))),
        *maintenance(facts, days, now, limits.remind),
    ]


def by_key(conditions: Iterable[Condition]) -> Mapping[Key, list[Condition]]:
    """Conditions of each key."""
    groups: dict[Key, list[Condition]] = {}
    for condition in conditions:
        groups.setdefault(condition.key, []).append(condition)
    return groups
