"""What really happened, in the form of the facts that a collector should find.

Read off the script and the noiseless current, never off the readings. Definitions:

- A **cut** runs from first to last contact of blade and material; a feed pause inside one passage does not
  end it. Touches shorter than 0.8 s are *bumps*, listed apart: they are no cuts.
- A **run** starts when the contactor closes and ends when it opens. ``stop_us`` is the time from there to
  standstill, the brake's dead time included, where its current can be seen; else None.
- ``current_seen`` of a **door visit**: current that the clamp sees flowed while the door was open.
  ``before_stop``: the door opened before the blade stood still, whether or not the clamp could know.
- A **gap** is a silence longer than 15 s in what arrived.
- ``unseen``: nobody can find this fact, for less than 0.8 s of the cut (or none of the run or the visit)
  arrived.
  ``partial``: some of the cut did not arrive; ``start_seen`` and ``end_seen`` say whether its ends did.

Times are by the box's clock, as the readings are: a clock that is wrong is another subject than a cut that is
missed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from collector.facts import SECOND, Conflict, Cut, Direction, DoorVisit, Fact, Gap, Run, as_record, iso
from simulator.current import Current, ragged

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from collector.signals import Trace
    from simulator.box import Box, Hole
    from simulator.motor import Floats
    from simulator.script import MotorRun, Script

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

    ``standstill`` holds when the blade stood still after each run, ``door_causes`` why each visit was made,
    ``unseen_runs`` and
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
        found: list[Fact] = [
            *self.runs,
            *(c.cut for c in self.cuts if not c.unseen),
            *self.doors,
            *self.conflicts,
            *self.gaps,
        ]
        return sorted(found, key=lambda f: f.start)

    def records(self) -> list[dict[str, Any]]:
        """Every fact as `kerfbook replay` prints it, with causes, unseen cuts and bumps (kind ``bump``)."""
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
    """How a saw was used [s]: planned (PBT), in use (AUBT), cutting (APT), as ISO 22400-2 has them."""

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


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """All that the truth is read off.

    ``current`` is the noiseless current, ``idle`` what the motor would idle at in the middle of each passage
    [A], ``trace`` the readings that arrived, ``holes`` the stretches whose readings did not [s from the
    script's start].
    """

    saw: str
    script: Script
    box: Box
    current: Current
    idle: Floats
    trace: Trace
    holes: Sequence[Hole]

    def stamp(self, seconds: Iterable[float]) -> list[int]:
        """Times of the script [s] by the box's clock [µs UTC]."""
        times: list[int] = self.box.stamp(np.fromiter(seconds, np.float64), self.script.start_us).tolist()
        return times


def truth_of(scene: Scene) -> Truth:
    """The truth of what was played."""
    start, end = scene.stamp((0.0, scene.script.seconds))
    truth = Truth(scene.saw, start, end)
    truth.holes = list(zip(scene.stamp(a for a, _ in scene.holes), scene.stamp(b for _, b in scene.holes), strict=True))
    truth.gaps = _gaps(scene.saw, scene.trace)
    if scene.script.passages:
        _cuts(truth, scene)
    _runs(truth, scene)
    _doors(truth, scene)
    return truth


def _cuts(truth: Truth, scene: Scene) -> None:
    script, current = scene.script, scene.current
    start = np.array([p.start for p in script.passages])
    end = np.array([p.end for p in script.passages])
    lost = _lost(start, end, scene.holes)
    # A cut of which less than a bump's length arrived cannot be told from one.
    unseen = (end - start - lost < np.minimum(BUMP_S, 0.999 * (end - start))).tolist()
    heard = _heard(start, scene.holes), _heard(end, scene.holes)
    partial = ((lost > 0) | ~heard[0] | ~heard[1]).tolist()
    start_seen, end_seen = (seen.tolist() for seen in heard)
    mean = _milliamps(current.rms(start, end))
    peak = _milliamps(_peaks(current, start, end))
    idle = _milliamps(scene.idle)
    lock_t = np.array([t for t, _, _ in script.locks])
    at = np.searchsorted(lock_t, start, side="right") - 1
    moved = ((np.searchsorted(lock_t, end, side="right") - 1) != at).tolist()
    begins, ends = scene.stamp(start), scene.stamp(end)
    for k, p in enumerate(script.passages):
        station = script.locks[int(at[k])][2] if p.vertical and scene.box.station else None
        direction = Direction.VERTICAL if p.vertical else Direction.HORIZONTAL
        cut = Cut(truth.saw, begins[k], ends[k], direction, mean[k], peak[k], idle[k], moved[k], station)
        row = TrueCut(cut, unseen[k], partial[k], start_seen[k], end_seen[k], mean[k] - idle[k], p.cause)
        (truth.bumps if p.bump else truth.cuts).append(row)


def _milliamps(amps: Floats) -> list[int]:
    out: list[int] = np.rint(amps * 1000).astype(int).tolist()
    return out


def _runs(truth: Truth, scene: Scene) -> None:
    runs = scene.script.runs
    on, off = scene.stamp(r.on for r in runs), scene.stamp(r.off for r in runs)
    truth.standstill = scene.stamp(r.standstill for r in runs)
    starts = np.array([c.cut.start for c in truth.cuts if not c.unseen], np.int64)
    counts = np.searchsorted(starts, np.array(off)) - np.searchsorted(starts, np.array(on))
    inrush = _milliamps(_inrush(runs, scene.current, 1.0 / scene.box.rate))
    for k, r in enumerate(runs):
        stop = truth.standstill[k] - off[k] if r.quiet > r.off else None
        truth.runs.append(Run(truth.saw, on[k], off[k], inrush[k], stop, int(counts[k])))


def _inrush(runs: Sequence[MotorRun], current: Current, interval_s: float) -> Floats:
    """Highest starting current of each run [A], RMS over intervals as long as the box's."""
    if not runs:
        return np.empty(0)
    spans = np.array([(min(r.start.ready_s + 0.5, r.off - r.on)) for r in runs])
    counts = np.maximum(np.ceil(spans / interval_s).astype(np.int64), 1)
    group, index = ragged(counts)
    start = np.array([r.on for r in runs])[group] + index * interval_s
    out: Floats = np.maximum.reduceat(current.rms(start, start + interval_s), np.cumsum(counts) - counts)
    return out


def _doors(truth: Truth, scene: Scene) -> None:
    doors = scene.script.doors
    quiet = scene.stamp(r.quiet for r in scene.script.runs)
    opened, closed = scene.stamp(d.opened for d in doors), scene.stamp(d.closed for d in doors)
    for d, a, b in zip(doors, opened, closed, strict=True):
        before_stop = any(r.start < a < s for r, s in zip(truth.runs, truth.standstill, strict=True))
        flowed = [(max(a, r.start), min(b, q)) for r, q in zip(truth.runs, quiet, strict=True) if r.start < b and q > a]
        truth.doors.append(DoorVisit(truth.saw, a, b, bool(flowed), before_stop))
        truth.door_causes.append(d.cause)
        truth.conflicts += [Conflict(truth.saw, s, e, "current_while_door_open") for s, e in flowed]


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


def _heard(when: Floats, holes: Sequence[Hole]) -> NDArray[np.bool_]:
    """Whether readings of each moment arrived."""
    if not holes:
        return np.ones(len(when), bool)
    out: NDArray[np.bool_] = (np.searchsorted(np.array(holes).ravel(), when, side="right") & 1) == 0
    return out
