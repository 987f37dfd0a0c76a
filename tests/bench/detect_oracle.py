"""What the readings of a trace cannot tell, whoever looks at them: the bound that a detector's figures are held to.

Two stories are the same to every detector where they make the same readings. Three kinds of this are looked for where
runs or visits of the door are not exact, each with the truth in hand and without a word of what the detector thinks:

- **No reading of it.** A run's start, or a door's opening, was told by readings that never arrived.
- **A cut or a brake.** A cut that lasts until the motor is switched off, with a load as even as a brake's current, and
  the current that a brake puts on the motor, make one curve: a level that falls to nothing at once. The stretch
  between the found end and the true one is held against the brake's straight line (its current may sag a little): if
  the readings lie round that line as the sensor's known noise makes them (chi-squared, 1 in 100), nothing in them
  speaks against the brake.
- **A brake or idle that goes on.** Somebody who knows idle, the brake's level, the noise and when the last current
  ended, and only not whether the motor was switched off where it was, weighs the readings in between: how much likelier
  are they as the brake's than as idle's that goes on? Where that is less than a hundred times (`SURE`, in nats), they
  do not tell. A single reading weighs no more than `ONE`: it may be a wild one.

Everything else counts as the detector's mistake, also where a person might be in doubt.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import chi2

from collector.facts import SECOND, DoorVisit, Fact, Run

if TYPE_CHECKING:
    from tests.bench.detect_cases import Case

NEAR = SECOND // 2  # as exact as the judges ask
RARE = 0.01
FEW = 5  # readings that a line can be held against
SURE = float(np.log(100.0))  # nats
ONE = float(np.log(200.0))  # nats: a few readings in a thousand are wild
BEFORE, PAUSE = 2 * SECOND, SECOND // 2  # so much of idle tells its level; the longest pause before a brake's current
MOSTLY = 0.8  # of the stretch is a cut, and not idle, which is known


def runs_hidden(case: Case, found: list[Fact]) -> bool:
    """Whether every run that was not found exactly could not be told from the readings."""
    runs = [f for f in found if isinstance(f, Run)]
    end = case.trace.last
    if len(runs) != len(case.runs):
        return False
    return all(
        _same(s, e, r.start, r.end or end)
        or ((abs(r.start - s) <= NEAR or _unheard(case, s, r.start)) and _end_hidden(case, e, r.end or end))
        for (s, e), r in zip(case.runs, runs, strict=True)
    )


def doors_hidden(case: Case, found: list[Fact]) -> bool:
    """Whether every visit that was not found exactly was not told of, or stands beside a stop that could not be told."""
    visits = [f for f in found if isinstance(f, DoorVisit)]
    opened = case.trace.door.t[case.trace.door.v == 0]
    runs = [f for f in found if isinstance(f, Run)]
    for start, end, before_stop, current in case.visits:
        hit = next((v for v in visits if abs(v.start - start) <= NEAR), None)
        heard = opened[(opened >= start) & (opened <= end)]
        if hit is None and len(heard) and heard[0] <= start + NEAR:
            return False
        if hit is not None and (hit.before_stop, hit.current_seen) != (before_stop, current):
            last = max(((s, e) for s, e in case.runs if s < start), default=None)
            near = None if last is None else next((r for r in runs if abs(r.start - last[0]) <= NEAR), None)
            if last is None or near is None or near.end is None or abs(near.end - last[1]) <= NEAR:
                return False
            if not _end_hidden(case, last[1], near.end):
                return False
    return True


def _same(s: int, e: int, start: int, end: int) -> bool:
    return abs(s - start) <= NEAR and abs(e - end) <= NEAR


def _unheard(case: Case, a: int, b: int) -> bool:
    """Whether no reading of the motor arrived between two times."""
    low, high = min(a, b), max(a, b)
    return len(case.trace.motor.between(low + 1, high - SECOND // 50)) == 0


def _end_hidden(case: Case, true: int, seen: int) -> bool:
    if abs(true - seen) <= NEAR or _unheard(case, true, seen):
        return True
    if seen > true:
        return nats_of_a_brake(case, true, seen) < SURE
    under_load = sum(max(0, min(b, true) - max(a, seen)) for a, b in case.cuts)
    return under_load >= MOSTLY * (true - seen) > 0 and looks_like_a_brake(case, seen, true)


def looks_like_a_brake(case: Case, start: int, end: int) -> bool:
    """Whether the readings from ``start`` to ``end`` [µs] lie round a straight line as the sensor's noise makes them."""
    t, v = case.trace.motor.t, case.trace.motor.v.astype(float)
    inside = np.flatnonzero((t > start) & (t < end))[2:-1]  # without those that the edges share
    if len(inside) < FEW:
        return True
    x, y = (t[inside] - start) / SECOND, v[inside]
    noise = float(np.hypot(case.noise, case.step / 12**0.5)) * 1000
    kept = np.ones(len(x), bool)
    for _ in range(2):  # a wild sample speaks for nothing
        line = np.polyval(np.polyfit(x[kept], y[kept], 1), x)
        kept = np.abs(y - line) < 8 * noise + 0.3 * np.abs(line)
    squares = float((((y - line) / noise)[kept] ** 2).sum())
    return bool(chi2.sf(squares, int(kept.sum()) - 2) > RARE)


def nats_of_a_brake(case: Case, off: int, end: int) -> float:
    """By how many nats the readings from ``off`` to ``end`` [µs] are likelier as a brake's than as idle that goes on.

    Infinite where idle was not seen just before, or too little of the brake: then this is not what is in doubt.
    """
    t, v = case.trace.motor.t, case.trace.motor.v.astype(float)
    idle = (t > off - BEFORE) & (t <= off)
    for a, b in case.cuts:
        idle &= (t <= a) | (t > b + SECOND // 5)
    inside = np.flatnonzero((t > off) & (t < end))[1:-1]  # without those that the edges share
    braked = inside[t[inside] > off + PAUSE]
    if np.count_nonzero(idle) < FEW or len(braked) < FEW:
        return float("inf")
    noise = float(np.hypot(case.noise, case.step / 12**0.5)) * 1000

    def against(level: float) -> float:
        return float(np.minimum(ONE, ((v[inside] - level) / noise) ** 2 / 2).sum())

    return against(float(np.median(v[idle]))) - against(float(np.median(v[braked])))
