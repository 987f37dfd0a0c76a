"""How often the wear chart calls a blade that is as it was, and how soon one that needs a quarter more.

Run: ``python -m tests.bench.bench_wear [days]`` or ``pytest -m bench -s tests/bench/bench_wear.py``.

The imaginary shop works for some days a saw with a blade that does not wear: five materials, seventeen thicknesses,
feeds from 8 to 22 m/min, sheet after sheet at random. Each stretch of cuts is one blade's service; the chart learns
the saw's yardstick from the cuts before it. *False signals*: how many cuts come to one. Then the blade needs a quarter
more from one cut to the next, in three readings of "a quarter more": the motor's current in the cut (one of 6 A takes
7.5 A), the power of the cut, and the current above idle. *Delay*: cuts until the signal.

What can be reached at all: by Lorden's bound (Annals of Mathematical Statistics 42, 1971) no rule with one false
signal in N cuts finds a change, in its worst mean case, sooner than about ln(N)/I cuts, I the information per cut. The
last column gives that for N = 2000 and the chart's figure, as if it were normal.
"""

from __future__ import annotations

import datetime as dt
import math
import os
import sys
import time
from dataclasses import dataclass

import numpy as np
import pytest

from api.answers import wear
from api.answers.wear import Cuts, chart, yardstick
from simulator import world
from simulator.crew import DayPlan, day_script
from simulator.dice import Dice, generator

SERVICE = 2200
CHANGE = 500  # the cut of a service at which the blade changes
WAYS = ("motor current", "cutting power", "current above idle")


@dataclass
class Played:
    """Cuts as they were: seconds, direction, active current of the cut, idle current, its active part [A]."""

    seconds: np.ndarray
    direction: np.ndarray
    load: np.ndarray
    idle: np.ndarray
    active: np.ndarray

    def cuts(self, part: slice, way: str = "") -> Cuts:
        load, idle, active = self.load[part], self.idle[part], self.active[part]
        heavier = np.arange(len(load)) >= CHANGE if way else np.zeros(len(load), bool)
        if way == "cutting power":
            load = np.where(heavier, 1.25 * load, load)
        drawn = np.sqrt(idle**2 - active**2 + (active + load) ** 2)
        if way == "motor current":
            drawn = np.where(heavier, 1.25 * drawn, drawn)
        rise = np.maximum((drawn - idle) * 1000, wear.FLOOR_MA)
        if way == "current above idle":
            rise = np.where(heavier, 1.25 * rise, rise)
        start = np.arange(len(load), dtype=np.int64) * 60_000_000
        return Cuts(start, self.seconds[part], rise, self.direction[part])


def play(saw: str, days: int) -> Played:
    """Plays a saw's days without its box: the mean active current of each cut and what the motor idles at."""
    its = world.SAWS[saw]
    motor = its.motor
    rows = []
    for k in range(days):
        day = dt.date(2021, 1, 1) + dt.timedelta(days=k)
        dice = Dice(generator(5, saw, day, "bench"))
        plan = DayPlan(world.SHIFT, world.ZONE, busy=0.6 + dice.uniform(-0.12, 0.14))
        script = day_script(its.crew, motor, day, plan, dice)
        on = np.array([r.on for r in script.runs])
        cold = 1 - np.array(motor.warmth([(r.on, r.off) for r in script.runs]))
        for cut in script.passages:
            if cut.bump:
                continue
            t, amps = np.array(cut.points).T
            run = np.searchsorted(on, cut.start) - 1
            coldness = cold[run] * math.exp(-(cut.start - on[run]) / motor.warm_s)
            idle = math.sqrt(motor.squared(np.zeros(1), np.array([coldness]), np.ones(1))[0])
            rows.append((cut.end - cut.start, not cut.vertical, np.trapezoid(amps, t) / (cut.end - cut.start), idle))
    seconds, direction, load, idle = np.array(rows, float).T
    magnetising = motor.magnetising_amps
    return Played(seconds, direction.astype(np.int64), load, idle, np.sqrt(idle**2 - magnetising**2))


def measure(played: Played, width: float) -> dict[str, object]:
    """False signals and delays over all services of a saw."""
    stretch = wear.HISTORY + SERVICE
    false, watched, delays = 0, 0, {way: [] for way in WAYS}
    bound = {}
    for at in range(0, len(played.load) - stretch + 1, SERVICE):
        stick = yardstick(played.cuts(slice(at, at + wear.HISTORY)))
        part = slice(at + wear.HISTORY, at + stretch)
        quiet = chart(played.cuts(part), stick, width=width)
        first = quiet.seen[0] if quiet.seen else None
        false += first is not None
        watched += len(quiet.z) if first is None else first + 1
        for way in WAYS:
            found = chart(played.cuts(part, way), stick, width=width)
            before = CHANGE - wear.BASELINE
            if not any(i < before for i in found.seen) and not (found.z[before - 1] > found.limit):
                delays[way].append(next((i - before + 1 for i in found.seen), SERVICE))
            shift = float(np.mean(found.figure[before:]) - np.mean(quiet.figure[before:]))
            inflation = 1 + 2 * float(np.sum(stick.autocorrelation))
            bound[way] = math.log(2000) / (0.5 * shift**2 / (stick.spread**2 * inflation))
    return {"false": false, "watched": watched, "delays": delays, "bound": bound}


def table(days: int, widths=(wear.WIDTH,)) -> list[tuple[str, float, float, dict[str, tuple[float, float]]]]:
    """Prints the figures, and returns them by saw and L."""
    out = []
    for saw in world.SAWS:
        begun = time.perf_counter()
        played = play(saw, days)
        print(f"{saw}: {len(played.load):,} cuts played in {time.perf_counter() - begun:.0f} s")
        for width in widths:
            found = measure(played, width)
            rate = found["watched"] / max(found["false"], 1)
            print(
                f"  λ {wear.LAMBDA} L {width}: {found['false']} false signals in {found['watched']:,} cuts, "
                f"one in {rate:,.0f}"
            )
            ways = {}
            for way, delays in found["delays"].items():
                d = np.array(delays)
                within = float(np.mean(d <= 60))
                print(
                    f"    +25 % {way:18s}  called after {np.median(d):4.0f} cuts (median), {np.quantile(d, 0.9):4.0f} "
                    f"(9 in 10), within 60: {100 * within:3.0f} %   bound {found['bound'][way]:4.0f}"
                )
                ways[way] = (float(np.median(d)), within)
            out.append((saw, width, rate, ways))
    return out


@pytest.mark.bench
def test_wear_false_alarms_and_delay():
    short = os.environ.get("KERFBOOK_BENCH") == "short"
    for _, _, rate, ways in table(120 if short else 1200):
        assert rate >= (2000 if short else 8000)  # a short run is a few services long
        assert ways["motor current"][1] >= 0.95


if __name__ == "__main__":
    table(int(sys.argv[1]) if len(sys.argv) > 1 else 1200, (2.5, wear.WIDTH, 3.2))
