"""How well found facts agree with the truth. Pure; for tests and benchmarks of every room.

Cuts are matched one to one. A found cut may stand for a true one where they overlap by at least half of the
longer; since no two true cuts overlap, a pair that qualifies is then unique but for exact halves, so taking
pairs in order of falling overlap is optimal.

Of a cut that arrived in part (`TrueCut.partial`) nobody can know the lost end: a found cut may instead
overlap by half what arrived of it, counted from the first to the last reading within. Pieces of a partial or
unseen cut that are found beside it are neither right nor wrong. Boundary errors are taken where the boundary
arrived.

What happened inside a hole is not asked for: whether a run ended and another began there, or a door visit.
Runs, visits and gaps are otherwise *exact* when there are as many and every start and end is within the
tolerance.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from collector.facts import SECOND, Cut, Direction, DoorVisit, Fact, Gap, Run

if TYPE_CHECKING:
    from collections.abc import Sequence

    from simulator.truth import TrueCut, Truth

_REPORT_S = 10.0
"""A switch that moved while nothing arrived is known at the latest with its next report."""


@dataclass(slots=True)
class Score:
    """Counts and errors; errors in seconds, signed: found minus true. `a + b` pools two scores."""

    matched: int = 0
    missed: list[TrueCut] = field(default_factory=list)
    invented: list[Cut] = field(default_factory=list)
    start_errors: list[float] = field(default_factory=list)
    end_errors: list[float] = field(default_factory=list)
    direction_right: int = 0
    direction_wrong: list[Cut] = field(default_factory=list)
    runs_exact: bool = True
    doors_exact: bool = True
    gaps_exact: bool = True
    door_flags_wrong: list[tuple[DoorVisit, DoorVisit]] = field(default_factory=list)
    stop_errors: list[float] = field(default_factory=list)
    stop_wrong: int = 0
    complaints: list[str] = field(default_factory=list)

    def __add__(self, other: Score) -> Score:
        return Score(
            self.matched + other.matched,
            self.missed + other.missed,
            self.invented + other.invented,
            self.start_errors + other.start_errors,
            self.end_errors + other.end_errors,
            self.direction_right + other.direction_right,
            self.direction_wrong + other.direction_wrong,
            self.runs_exact and other.runs_exact,
            self.doors_exact and other.doors_exact,
            self.gaps_exact and other.gaps_exact,
            self.door_flags_wrong + other.door_flags_wrong,
            self.stop_errors + other.stop_errors,
            self.stop_wrong + other.stop_wrong,
            self.complaints + other.complaints,
        )

    @property
    def f1(self) -> float:
        """Harmonic mean of the cuts' precision and recall, 0..1; 1 where nothing was to be found nor was."""
        wrong = len(self.missed) + len(self.invented)
        return 2 * self.matched / (2 * self.matched + wrong) if self.matched + wrong else 1.0

    @property
    def start_error(self) -> float:
        """Median of the absolute error of the cuts' starts [s]; 0 without any."""
        return float(np.median(np.abs(self.start_errors))) if self.start_errors else 0.0

    @property
    def end_error(self) -> float:
        """Median of the absolute error of the cuts' ends [s]; 0 without any."""
        return float(np.median(np.abs(self.end_errors))) if self.end_errors else 0.0

    @property
    def direction(self) -> float:
        """Share of the matched cuts whose direction is right, 0..1."""
        return self.direction_right / self.matched if self.matched else 1.0


def overlap(a: tuple[int, int], b: tuple[int, int]) -> int:
    """Length of the intersection of two spans, 0 where they do not meet."""
    return max(0, min(a[1], b[1]) - max(a[0], b[0]))


def _seen_hull(cut: TrueCut, holes: Sequence[tuple[int, int]]) -> tuple[int, int]:
    start, end = cut.cut.start, cut.cut.end or cut.cut.start
    for a, b in holes:
        if a <= start < b:
            start = b
        if a <= end < b:
            end = a
    return start, max(start, end)


def _span(fact: Fact, horizon: int) -> tuple[int, int]:
    return fact.start, horizon if fact.end is None else fact.end


def match(truth: Truth, found: Sequence[Fact], *, tolerance_s: float = 0.5) -> Score:
    """Compare found facts with the truth.

    Args:
        truth: what happened.
        found: what a collector found, in any order; open facts end with the truth.
        tolerance_s: how far start and end of a run or a door visit may be off and still be called exact [s].
    """
    score = Score()
    _match_cuts(truth, [f for f in found if isinstance(f, Cut)], score)
    _match_runs(truth, [f for f in found if isinstance(f, Run)], tolerance_s, score)
    doors = sorted((f for f in found if isinstance(f, DoorVisit)), key=lambda f: f.start)
    known = [d for d in truth.doors if not _inside_one_hole((d.start, _span(d, truth.end)[1]), truth.holes)]
    score.doors_exact = _same_spans(
        "door_visit", known, doors, truth, score, tolerance_s=tolerance_s, later_s=_REPORT_S
    )
    if score.doors_exact:
        for true, seen in zip(known, doors, strict=True):
            if (true.current_seen, true.before_stop) != (seen.current_seen, seen.before_stop):
                score.door_flags_wrong.append((true, seen))
    # A gap's ends are readings: there is nothing to tolerate.
    gaps = [f for f in found if isinstance(f, Gap)]
    score.gaps_exact = _same_spans("gap", truth.gaps, gaps, truth, score, tolerance_s=0.0)
    return score


def _inside_one_hole(span: tuple[int, int], holes: Sequence[tuple[int, int]], slack_us: int = 0) -> bool:
    return any(a - slack_us <= span[0] and span[1] <= b + slack_us for a, b in holes)


def _joined(runs: Sequence[Run], truth: Truth, slack_us: int) -> list[Run]:
    """Runs without those inside a hole, and taken as one where the rest between two lies inside a hole."""
    out: list[Run] = []
    for run in sorted(runs, key=lambda r: r.start):
        if _inside_one_hole(_span(run, truth.end), truth.holes, slack_us):
            continue
        if out and _inside_one_hole((_span(out[-1], truth.end)[1], run.start), truth.holes, slack_us):
            out[-1] = replace(out[-1], end=run.end, stop_us=run.stop_us)
        else:
            out.append(run)
    return out


def _match_runs(truth: Truth, found: list[Run], tolerance_s: float, score: Score) -> None:
    slack = round(tolerance_s * SECOND)
    true = _joined(truth.runs, truth, slack)
    seen = _joined(found, truth, slack)
    score.runs_exact = _same_spans("run", true, seen, truth, score, tolerance_s=tolerance_s)
    if score.runs_exact:
        for a, b in zip(true, seen, strict=True):
            if a.end is None or b.end is None or _inside_one_hole((a.end, a.end), truth.holes):
                continue
            if (a.stop_us is None) != (b.stop_us is None):
                score.stop_wrong += 1
            elif a.stop_us is not None and b.stop_us is not None:
                score.stop_errors.append((b.stop_us - a.stop_us) / SECOND)


def _match_cuts(truth: Truth, found: list[Cut], score: Score) -> None:
    found = sorted(found, key=lambda c: c.start)
    spans = [_span(c, truth.end) for c in found]
    starts = np.array([s for s, _ in spans], np.int64)
    latest = np.maximum.accumulate(np.array([e for _, e in spans], np.int64)) if spans else starts
    pairs: list[tuple[int, int, int]] = []
    excused: set[int] = set()
    in_pieces: set[int] = set()
    for k, true in enumerate(truth.cuts):
        whole = (true.cut.start, true.cut.end or truth.end)
        hull = _seen_hull(true, truth.holes) if true.partial else whole
        for j in range(int(np.searchsorted(latest, whole[0])), int(np.searchsorted(starts, whole[1]))):
            common = overlap(whole, spans[j])
            length = spans[j][1] - spans[j][0]
            if not true.unseen and (
                2 * common >= max(whole[1] - whole[0], length)
                or (true.partial and 2 * overlap(hull, spans[j]) >= max(hull[1] - hull[0], length) > 0)
            ):
                pairs.append((common, k, j))
            if (true.unseen or true.partial) and 2 * common >= length:
                excused.add(j)
                in_pieces.add(k)
    taken_true: set[int] = set()
    taken_found: set[int] = set()
    for _, k, j in sorted(pairs, reverse=True):
        if k not in taken_true and j not in taken_found:
            taken_true.add(k)
            taken_found.add(j)
            _compare(truth.cuts[k], found[j], spans[j], score)
    score.matched = len(taken_true)
    score.missed = [
        c for k, c in enumerate(truth.cuts) if not (c.unseen or k in taken_true or (c.partial and k in in_pieces))
    ]
    score.invented = [c for j, c in enumerate(found) if j not in taken_found and j not in excused]


def _compare(true: TrueCut, found: Cut, span: tuple[int, int], score: Score) -> None:
    if true.start_seen:
        score.start_errors.append((span[0] - true.cut.start) / SECOND)
    if true.end_seen and true.cut.end is not None:
        score.end_errors.append((span[1] - true.cut.end) / SECOND)
    if found.direction is true.cut.direction and found.direction is not Direction.UNKNOWN:
        score.direction_right += 1
    else:
        score.direction_wrong.append(found)


def _same_spans(
    what: str,
    true: Sequence[Fact],
    found: Sequence[Fact],
    truth: Truth,
    score: Score,
    *,
    tolerance_s: float,
    later_s: float = 0.0,
) -> bool:
    """Whether both hold as many, and starts and ends agree; what happened in a hole may lie anywhere in it.

    ``later_s``: how long after a hole it may come to light at last.
    """
    if len(true) != len(found):
        score.complaints.append(f"{what}: {len(true)} happened, {len(found)} found")
        return False
    slack, later = round(tolerance_s * SECOND), round(later_s * SECOND)
    good = True
    for a, b in zip(true, sorted(found, key=lambda f: f.start), strict=True):
        for x, y in zip(_span(a, truth.end), _span(b, truth.end), strict=True):
            low, high = next(((p, q + later) for p, q in truth.holes if p <= x < q), (x, x))
            if not low - slack <= y <= high + slack:
                score.complaints.append(f"{what}: {a} found as {b}")
                good = False
                break
    return good
