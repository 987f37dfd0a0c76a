"""What really happened, in the form of the facts that a collector should find.

Read off the script and the noiseless current, never off the readings. Definitions:

- A **cut** runs from first to last contact of blade and material; a feed pause inside one passage does not end it.
  Touches shorter than 0.8 s are *bumps*, listed apart: they are no cuts.
- A **run** starts when the contactor closes and ends when it opens. ``stop_us`` is the time from there to standstill, the brake's
  dead time included, where its current can be seen; else None.
- ``current_seen`` of a **door visit**: current that the clamp sees flowed while the door was open. ``before_stop``: the door opened
  before the blade stood still, whether or not the clamp could know.
- A **gap** is a silence longer than 15 s in what arrived.
- ``unseen``: nobody can find this fact, for less than 0.8 s of the cut (or none of the run or the visit) arrived.
  ``partial``: some of the cut did not arrive; ``start_seen`` and ``end_seen`` say whether its ends did.

Times are by the box's clock, as the readings are: a clock that is wrong is another subject than a cut that is missed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from collector.facts import SECOND, Conflict, Cut, Direction, DoorVisit, Fact, Gap, Run, as_record, iso
from collector.signals import Trace
from simulator.box import Box, Hole
from simulator.current import Current, ragged
from simulator.motor import Floats
from simulator.script import MotorRun, Script

Stamp = Callable[[Iterable[float]], list[int]]
GAP_US = 15 * SECOND
BUMP_S = 0.8


@dataclass(frozen=True, slots=True)
class TrueCut:
    """A cut, how much of it arrived, and what was cut. ``rise_ma`` is its mean current above idle."""

    cut: Cut
    unseen: bool = False
    partial: bool = False
    start_seen: bool = True
    end_seen: bool = True
    rise_ma: int = 0
    cause: str = ""

    def record(self) -> dict[str, Any]:
        """As `kerfbook replay` would print it, with what only the simulator knows."""
        out = as_record(self.cut) | {"rise_amps": self.rise_ma / 1000, "cause": self.cause}
        if self.unseen:
            out["unseen"] = True
        if self.partial:
            out |= {"partial": True, "start_seen": self.start_seen, "end_seen": self.end_seen}
        return out


@dataclass(slots=True)
class Truth:
    """All that happened on one saw, each list in order of start.

    ``standstill`` holds when the blade stood still after each run, ``door_causes`` why each visit was made, ``unseen_runs`` and
    ``unseen_doors`` the indices of those of which no trace arrived.
    """

    saw: str
    start: int
    end: int
    runs: list[Run] = field(default_factory=list)
    standstill: list[int] = field(default_factory=list)
    cuts: list[TrueCut] = field(default_factory=list)
    bumps: list[TrueCut] = field(default_factory=list)
    doors: list[DoorVisit] = field(default_factory=list)
    door_causes: list[str] = field(default_factory=list)
    conflicts: list[Conflict] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    holes: list[tuple[int, int]] = field(default_factory=list)

    def facts(self) -> list[Fact]:
        """The facts that a perfect collector would find, in order of start: all but the unseen cuts."""
        found: list[Fact] = [*self.runs, *(c.cut for c in self.cuts if not c.unseen), *self.doors, *self.conflicts, *self.gaps]
        return sorted(found, key=lambda f: f.start)

    def records(self) -> list[dict[str, Any]]:
        """Every fact as `kerfbook replay` would print it, unseen cuts and bumps (kind ``bump``) included, with causes."""
        rows: list[tuple[int, dict[str, Any]]] = []
        rows += [
            (r.start, as_record(r) | {"standstill": iso(s)}) for r, s in zip(self.runs, self.standstill, strict=True)
        ]
        rows += [(c.cut.start, c.record()) for c in self.cuts]
        rows += [(c.cut.start, c.record() | {"kind": "bump"}) for c in self.bumps]
        rows += [(d.start, as_record(d) | {"cause": why}) for d, why in zip(self.doors, self.door_causes, strict=True)]
        rows += [(f.start, as_record(f)) for f in self.conflicts]
        rows += [(f.start, as_record(f)) for f in self.gaps]
        return [record for _, record in sorted(rows, key=lambda row: row[0])]


@dataclass(frozen=True, slots=True)
class Use:
    """How a saw was used over planned time [s]: planned (PBT), in use (AUBT), cutting (APT); ratios as ISO 22400-2 has them."""

    planned: float
    busy: float
    cutting: float

    @property
    def allocation_efficiency(self) -> float:
        """AUBT/PBT."""
        return self.busy / self.planned if self.planned else 0.0

    @property
    def availability(self) -> float:
        """APT/PBT."""
        return self.cutting / self.planned if self.planned else 0.0


def use(truths: Iterable[Truth], planned: Iterable[tuple[int, int]], busy_gap_s: float = 180.0) -> Use:
    """The use of one saw in planned spans [µs UTC], from what really happened, whether or not it was seen.

    In use is a running motor, or a pause between two cuts shorter than ``busy_gap_s``.
    """
    runs: list[tuple[int, int]] = []
    cuts: list[tuple[int, int]] = []
    for truth in truths:
        runs += [(r.start, truth.end if r.end is None else r.end) for r in truth.runs]
        cuts += [(c.cut.start, truth.end if c.cut.end is None else c.cut.end) for c in truth.cuts]
    cuts.sort()
    pauses = [(a[1], b[0]) for a, b in pairwise(cuts) if b[0] - a[1] < busy_gap_s * SECOND]
    busy = _union(runs + cuts + pauses)
    spans = list(planned)
    return Use(_length(spans), _common(busy, spans), _common(cuts, spans))


def _union(spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    out: list[tuple[int, int]] = []
    for a, b in sorted(spans):
        if out and a <= out[-1][1]:
            out[-1] = (out[-1][0], max(b, out[-1][1]))
        else:
            out.append((a, b))
    return out


def _length(spans: list[tuple[int, int]]) -> float:
    return sum(b - a for a, b in spans) / SECOND


def _common(spans: list[tuple[int, int]], within: list[tuple[int, int]]) -> float:
    return sum(max(0, min(b, d) - max(a, c)) for a, b in spans for c, d in within) / SECOND


def truth_of(
    saw: str, script: Script, box: Box, current: Current, idle: Floats, trace: Trace, holes: Sequence[Hole]
) -> Truth:
    """The truth of a script.

    Args:
        saw: its name.
        script: what happened.
        box: whose clock the times are told by, and at whose rate the inrush is averaged.
        current: the noiseless current.
        idle: what the motor would idle at in the middle of each passage [A].
        trace: the readings that arrived.
        holes: stretches whose readings did not arrive [s].
    """

    def stamp(seconds: Iterable[float]) -> list[int]:
        times: list[int] = box.stamp(np.fromiter(seconds, np.float64), script.start_us).tolist()
        return times

    end_us = int(box.stamp(np.array([script.seconds]), script.start_us)[0])
    truth = Truth(saw, int(box.stamp(np.zeros(1), script.start_us)[0]), end_us)
    truth.holes = list(zip(stamp(a for a, _ in holes), stamp(b for _, b in holes), strict=True))
    truth.gaps = _gaps(saw, trace)
    if script.passages:
        _cuts(truth, script, box, current, idle, holes, stamp)
    _runs(truth, script, box, current, stamp)
    _doors(truth, script, stamp)
    return truth


def _cuts(  # noqa: PLR0917
    truth: Truth, script: Script, box: Box, current: Current, idle: Floats, holes: Sequence[Hole], stamp: Stamp
) -> None:
    passages = script.passages
    start = np.array([p.start for p in passages])
    end = np.array([p.end for p in passages])
    lost = _lost(start, end, holes)
    start_seen, end_seen = _lost_at(start, holes), _lost_at(end, holes)
    mean = np.rint(current.rms(start, end) * 1000).astype(int).tolist()
    peak = np.rint(_peaks(current, start, end) * 1000).astype(int).tolist()
    idle_ma = np.rint(idle * 1000).astype(int).tolist()
    lock_t = np.array([t for t, _, _ in script.locks])
    at = np.searchsorted(lock_t, start, side="right") - 1
    moved = (np.searchsorted(lock_t, end, side="right") - 1) != at
    for k, (p, a, b) in enumerate(zip(passages, stamp(start), stamp(end), strict=True)):
        _, _, station = script.locks[int(at[k])]
        cut = Cut(
            truth.saw, a, b, Direction.VERTICAL if p.vertical else Direction.HORIZONTAL, mean[k], peak[k], idle_ma[k],
            bool(moved[k]), station if p.vertical and box.station else None,
        )  # fmt: skip
        row = TrueCut(
            cut, bool(end[k] - start[k] - lost[k] < min(BUMP_S, 0.999 * (end[k] - start[k]))), bool(lost[k] > 0.02), bool(start_seen[k]),
            bool(end_seen[k]), mean[k] - idle_ma[k], p.cause,
        )  # fmt: skip
        (truth.bumps if p.bump else truth.cuts).append(row)


def _runs(truth: Truth, script: Script, box: Box, current: Current, stamp: Stamp) -> None:
    runs = script.runs
    on, off = stamp(r.on for r in runs), stamp(r.off for r in runs)
    truth.standstill = stamp(r.standstill for r in runs)
    starts = np.array([c.cut.start for c in truth.cuts if not c.unseen], np.int64)
    counts = np.searchsorted(starts, np.array(off)) - np.searchsorted(starts, np.array(on))
    inrush = np.rint(_inrush(runs, current, 1.0 / box.rate) * 1000).astype(int).tolist()
    for k, r in enumerate(runs):
        stop = truth.standstill[k] - off[k] if r.quiet > r.off else None
        truth.runs.append(Run(truth.saw, on[k], off[k], inrush[k], stop, int(counts[k])))


def _inrush(runs: Sequence[MotorRun], current: Current, interval_s: float) -> Floats:
    """Highest starting current of each run [A], as RMS over the box's sampling interval counted from the start."""
    if not runs:
        return np.empty(0)
    spans = np.array([(min(r.start.ready_s + 0.5, r.off - r.on)) for r in runs])
    counts = np.maximum(np.ceil(spans / interval_s).astype(np.int64), 1)
    group, index = ragged(counts)
    start = np.array([r.on for r in runs])[group] + index * interval_s
    out: Floats = np.maximum.reduceat(current.rms(start, start + interval_s), np.cumsum(counts) - counts)
    return out


def _doors(truth: Truth, script: Script, stamp: Stamp) -> None:
    quiet = stamp(r.quiet for r in script.runs)
    for d, a, b in zip(
        script.doors, stamp(d.opened for d in script.doors), stamp(d.closed for d in script.doors), strict=True
    ):
        before_stop = any(r.start < a < s for r, s in zip(truth.runs, truth.standstill, strict=True))
        spans = [(max(a, r.start), min(b, q)) for r, q in zip(truth.runs, quiet, strict=True) if r.start < b and q > a]
        truth.doors.append(DoorVisit(truth.saw, a, b, bool(spans), before_stop))
        truth.door_causes.append(d.cause)
        truth.conflicts += [Conflict(truth.saw, s, e, "current_while_door_open") for s, e in spans]


def _gaps(saw: str, trace: Trace) -> list[Gap]:
    times: NDArray[np.int64] = np.sort(np.concatenate([s.t for s in trace.series()]), kind="stable")
    long = np.flatnonzero(np.diff(times) > GAP_US)
    return [Gap(saw, int(times[k]), int(times[k + 1])) for k in long]


def _peaks(current: Current, start: Floats, end: Floats) -> Floats:
    """Highest momentary current within each interval [A]."""
    i = np.searchsorted(current.t, start)
    j = np.maximum(np.searchsorted(current.t, end), i + 1)
    bounds = np.column_stack((i, j)).ravel()
    out: Floats = np.sqrt(np.maximum.reduceat(np.append(current.square, 0.0), bounds)[0::2])
    return out


def _lost(start: Floats, end: Floats, holes: Sequence[Hole]) -> Floats:
    """Seconds of each interval that lie in holes."""
    if not holes:
        return np.zeros(len(start))
    edges = np.array(holes).ravel()
    inside = np.concatenate(([0.0], np.cumsum(np.where(np.arange(len(edges) - 1) % 2 == 0, np.diff(edges), 0.0))))
    out: Floats = np.interp(end, edges, inside) - np.interp(start, edges, inside)
    return out


def _lost_at(when: Floats, holes: Sequence[Hole]) -> NDArray[np.bool_]:
    """Whether readings of each moment arrived."""
    if not holes:
        return np.ones(len(when), bool)
    out: NDArray[np.bool_] = (np.searchsorted(np.array(holes).ravel(), when, side="right") & 1) == 0
    return out
