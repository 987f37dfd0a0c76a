"""Traces with truth from two makers that share nothing, behind one face, for `bench_detect`.

The `simulator` is the makers' room next door; `tests.detect.other_saw` was written independently of it. Seeds 0 to
1199, 3000 to 3019, 4000 to 4019 and 5000 to 5019 are for developing (the detector by its authors, the rivals' settings
by `rivals`), the other seeds from 1200 on for judging; which of them judge now says `bench_detect`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from collector.facts import SECOND, Cut, DoorVisit, Fact, Run
from simulator.difficulties import SCENARIOS
from simulator.score import match
from tests.detect import other_saw

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from collector.signals import Trace

MAKERS = ("simulator", "other saw")


@dataclass(frozen=True)
class Marks:
    """How the facts found in one trace stand to its truth. ``errors`` absolute, in seconds."""

    f1: float
    starts: list[float]
    ends: list[float]
    directions: tuple[int, int]  # right, all
    runs: int  # 1: not exact
    doors: int
    gaps: int
    complaints: list[str]


@dataclass(frozen=True)
class Case:
    """One trace; ``runs`` and ``cuts`` are the true ones, for rivals that are told about them [µs].

    ``visits`` are the true ones of the door: start, end [µs], opened before standstill, current seen. ``noise`` and
    ``step`` are the box's true noise and resolution [A]. All three are for `detect_oracle`.
    """

    maker: str
    family: str
    seed: int
    saw: str
    trace: Trace
    runs: list[tuple[int, int]]
    cuts: list[tuple[int, int]]
    mark: Callable[[list[Fact]], Marks] = field(repr=False)
    visits: list[tuple[int, int, bool, bool]] = field(default_factory=list)
    noise: float = 0.0
    step: float = 0.0

    @property
    def rate(self) -> float:
        """Samples a second while the motor runs."""
        return SECOND / float(np.median(np.diff(self.trace.motor.t)))


def families() -> list[tuple[str, str]]:
    """(maker, family) in order; each maker's ``ordinary`` is not hard."""
    return [("simulator", f) for f in SCENARIOS] + [("other saw", f) for f in other_saw.FAMILIES]


def case(maker: str, family: str, seed: int) -> Case:
    return (_of_simulator if maker == "simulator" else _of_other_saw)(family, seed)


def cases(maker: str, family: str, seeds: Iterable[int]) -> list[Case]:
    return [case(maker, family, seed) for seed in seeds]


def _of_simulator(family: str, seed: int) -> Case:
    played = SCENARIOS[family](seed)
    truth = played.facts

    def mark(found: list[Fact]) -> Marks:
        s = match(truth, found)
        return Marks(
            s.f1,
            [abs(e) for e in s.start_errors],
            [abs(e) for e in s.end_errors],
            (s.direction_right, s.direction_right + len(s.direction_wrong)),
            int(not s.runs_exact),
            int(not s.doors_exact or bool(s.door_flags_wrong)),
            int(not s.gaps_exact),
            s.complaints,
        )

    end = played.trace.last
    runs = [(r.start, r.end or end) for r in truth.runs]
    cuts = [(c.cut.start, c.cut.end or end) for c in truth.cuts]
    visits = [_visit(d, end) for d in truth.doors]
    box = played.saw.box
    return Case("simulator", family, seed, truth.saw, played.trace, runs, cuts, mark, visits, box.noise, box.resolution)


def _of_other_saw(family: str, seed: int) -> Case:
    told = other_saw.tell(family, seed)

    def mark(found: list[Fact]) -> Marks:
        s = other_saw.judge(told, found)
        where = [f"missed cut {other_saw.at(c)}" for c in s.missed]
        where += [f"invented cut {other_saw.at(c)}" for c in s.invented]
        return Marks(
            s.f1,
            [abs(e) for e in s.starts],
            [abs(e) for e in s.ends],
            (sum(s.directions), len(s.directions)),
            int(bool(s.runs)),
            int(bool(s.doors)),
            int(bool(s.gaps)),
            where + [f"run {x}" for x in s.runs] + [f"door {x}" for x in s.doors] + [f"gap {x}" for x in s.gaps],
        )

    end = told.trace.last
    runs = [(f.start, f.end or end) for f in told.truth if isinstance(f, Run)]
    cuts = [(f.start, f.end or end) for f in told.truth if isinstance(f, Cut)]
    visits = [_visit(f, end) for f in told.truth if isinstance(f, DoorVisit)]
    saw = told.saw
    return Case("other saw", family, seed, other_saw.SAW, told.trace, runs, cuts, mark, visits, saw.noise, saw.step)


def _visit(d: DoorVisit, end: int) -> tuple[int, int, bool, bool]:
    return d.start, d.end or end, d.before_stop, d.current_seen
