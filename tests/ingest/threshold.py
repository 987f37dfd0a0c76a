"""A small honest detector with fixed thresholds, for tests of what surrounds a detector.

It keeps the laws of the real one: chunks do not matter, ``dump`` goes on exactly, a rest point starts afresh.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from collector.book.rows import order
from collector.facts import SECOND, Cut, Direction, DoorVisit, Fact, Gap, Now, Run, State

if TYPE_CHECKING:
    from collector.signals import Trace

ON_MA, CUT_MA, SILENCE, REST = 1000, 5000, 15 * SECOND, 30 * SECOND


@dataclass(frozen=True)
class Found:
    settled_from: int
    facts: list[Fact]


class ThresholdDetector:
    def __init__(self, saw: str, settings: object = None, state: bytes | None = None) -> None:
        self.saw = saw
        self.s: dict[str, Any] = {
            "consumed": None, "rested": None, "off": None, "run": None, "cut": None, "door": None, "amps": None,
            "lock": None, "since": 0, "settled": 0,
        }  # fmt: skip
        if state is not None:
            self.s = json.loads(state)
        self.done: list[Fact] = []

    @property
    def consumed(self) -> int | None:
        return self.s["consumed"]

    @property
    def rested(self) -> int | None:
        return self.s["rested"]

    def feed(self, trace: Trace) -> None:
        readings = sorted(
            (int(t), k, int(v))
            for k, series in enumerate(trace.series())
            for t, v in zip(series.t, series.v, strict=True)
        )
        s = self.s
        for t, k, v in readings:
            assert s["consumed"] is None or t >= s["consumed"], "a reading earlier than one fed before"
            if s["consumed"] is not None and t - s["consumed"] > SILENCE:
                self._close(s["consumed"])
                self.done.append(Gap(self.saw, s["consumed"], t))
                s["off"] = None
            s["consumed"] = t
            if k == 0:
                self._motor(t, v)
            elif k == 1:
                s["lock"] = v
            elif k == 3:
                if v == 0 and s["door"] is None:
                    s["door"] = t
                elif v == 1 and s["door"] is not None:
                    self.done.append(DoorVisit(self.saw, s["door"], t, False, False))
                    s["door"] = None
            if s["off"] is not None and t - s["off"] >= REST and s["door"] is None:
                s["rested"] = t

    def _motor(self, t: int, v: int) -> None:
        s = self.s
        s["amps"] = v
        if v > ON_MA and s["run"] is None:
            s["run"], s["off"] = [t, 0], None
        if v <= ON_MA:
            if s["run"] is not None:
                self._close(t)
            if s["off"] is None:
                s["off"] = t
        if v > CUT_MA:
            if s["cut"] is None:
                s["cut"] = [t, v, v, 1]
                s["run"][1] += 1
            else:
                _, peak, total, n = s["cut"]
                s["cut"][1:] = [max(peak, v), total + v, n + 1]
        elif s["cut"] is not None:
            self._close_cut(t)

    def _close_cut(self, t: int) -> None:
        self.done.append(self._cut(t))
        self.s["cut"] = None

    def _close(self, t: int) -> None:
        if self.s["cut"] is not None:
            self._close_cut(t)
        if self.s["run"] is not None:
            self.done.append(self._run(t))
            self.s["run"] = None

    def _cut(self, end: int | None) -> Cut:
        start, peak, total, n = self.s["cut"]
        return Cut(self.saw, start, end, Direction.UNKNOWN, total // n, peak, 0, False, None)

    def _run(self, end: int | None) -> Run:
        return Run(self.saw, self.s["run"][0], end, None, None, self.s["run"][1])

    def facts(self) -> Found:
        opened: list[Fact] = []
        if self.s["run"]:
            opened.append(self._run(None))
        if self.s["cut"]:
            opened.append(self._cut(None))
        if self.s["door"] is not None:
            opened.append(DoorVisit(self.saw, self.s["door"], None, False, False))
        settled = self.s["settled"]
        found = Found(settled, sorted(self.done + opened, key=lambda f: f.start))
        self.done = []
        self.s["settled"] = self.s["consumed"] or 0  # what is open and starts before is amended, as the contract says
        return found

    def now(self) -> Now:
        s = self.s
        state = State.WORKING if s["cut"] else State.READY if s["run"] else State.STANDBY
        locked = None if s["lock"] is None else bool(s["lock"])
        return Now(s["consumed"], state, s["consumed"], s["amps"], locked, None, s["door"] is None)

    def dump(self) -> bytes:
        assert not self.done, "facts() comes before dump()"
        return json.dumps(self.s).encode()


def derive(saw: str, trace: Trace) -> list[Fact]:
    detector = ThresholdDetector(saw)
    detector.feed(trace)
    return sorted(detector.facts().facts, key=order)
