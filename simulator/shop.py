"""The imaginary shop: a saw, its motor, box and crew, played for a stretch of time.

`simulate_day` plays a working day, `play` any script. Everything follows from (seed, saw, day) alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from collector.facts import SECOND, iso
from simulator.box import Box, Hole
from simulator.crew import Crew, DayPlan, day_script
from simulator.current import Current, current_of, idle_amps, supply
from simulator.dice import Dice, generator
from simulator.motor import Motor
from simulator.truth import Scene, Truth, truth_of

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable

    from collector.signals import Trace
    from simulator.script import Script


@dataclass(frozen=True, slots=True)
class Saw:
    """A saw of the shop: its name in topics, its motor, its box and who works at it."""

    name: str
    motor: Motor = field(default_factory=Motor)
    box: Box = field(default_factory=Box)
    crew: Crew = field(default_factory=Crew)
    box_urn: str = "urn:dev:mac:0024befffe804ff1:"


@dataclass(frozen=True, slots=True, eq=False)
class Played:
    """A stretch of a saw's life: what arrived in the end, what really happened, and how it came to be.

    ``trace`` holds every reading that arrives sooner or later; `simulator.play.deliveries` says when each
    does.
    """

    saw: Saw
    script: Script
    current: Current
    trace: Trace
    facts: Truth
    holes: list[Hole]

    def __repr__(self) -> str:
        return f"<Played {self.saw.name} {iso(self.start_us)} {self.script.seconds / 3600:.2f} h>"

    @property
    def truth(self) -> list[dict[str, Any]]:
        """The truth in the format of `kerfbook replay`, with causes (see `simulator.truth`)."""
        return self.facts.records()

    @property
    def start_us(self) -> int:
        """True time of the start [µs UTC]."""
        return self.script.start_us

    @property
    def end_us(self) -> int:
        """True time of the end [µs UTC]."""
        return self.script.start_us + round(self.script.seconds * SECOND)


@dataclass(frozen=True, slots=True)
class Scenario:
    """A situation with a name, playable with any seed."""

    name: str
    about: str
    factory: Callable[[int], Played]
    hard: bool = True

    def __call__(self, seed: int) -> Played:
        """Play it."""
        return self.factory(seed)


def play(saw: Saw, script: Script, rng: np.random.Generator, warm: float = 0.0) -> Played:
    """Play a script on a saw.

    Args:
        saw: motor and box.
        script: what happens.
        rng: for supply, ripple, noise and losses.
        warm: warmth of the saw at its first start (0 cold … 1 warm).
    """
    curve = supply(rng, script.seconds, saw.motor.wander)
    current = current_of(script, saw.motor, rng, curve, warm)
    trace, holes = saw.box.watch(script, current, rng)
    middle = np.array([0.5 * (p.start + p.end) for p in script.passages])
    idle = idle_amps(saw.motor, script.runs, curve, middle, warm) if script.passages else np.empty(0)
    truth = truth_of(Scene(saw.name, script, saw.box, current, idle, trace, holes))
    return Played(saw, script, current, trace, truth, holes)


def simulate_day(saw: Saw, day: dt.date, seed: int, plan: DayPlan | None = None) -> Played:
    """A day of a saw, from local midnight to local midnight.

    Args:
        saw: the saw.
        day: the day in the shop's zone.
        seed: same seed, saw's name and day: same readings.
        plan: shift, zone, state of the blade and what is planned; default: an ordinary working day in
            Europe/Lisbon.
    """
    rng = generator(seed, saw.name, day)
    script = day_script(saw.crew, saw.motor, day, plan or DayPlan(), Dice(rng))
    return play(saw, script, rng)
