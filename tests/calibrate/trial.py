"""A trial as the setup page asks for it, played by the simulator; with faults of box and clamp."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from collector.calibrate import Steps
from collector.facts import SECOND
from collector.signals import Series, Trace
from simulator.box import Box
from simulator.dice import Dice, generator
from simulator.load import Manner, passage
from simulator.motor import Motor, Nameplate
from simulator.script import DoorOpening, MotorRun, Script
from simulator.shop import Saw, play

T0 = 1_772_438_400 * SECOND  # 2026-03-02T08:00:00Z
MOTOR = Motor(Nameplate(4000.0), cold=0.1, wander=0.02)
BOX = Box(rate=10.0, noise=0.03, resolution=0.01, offset=0.04)


@dataclass(frozen=True)
class Trial:
    trace: Trace
    steps: Steps

    def with_motor(self, change) -> Trial:
        motor = self.trace.motor
        return replace(self, trace=replace(self.trace, motor=Series(motor.t, change(motor.v).astype(np.int32))))

    def clipped(self, ma: int) -> Trial:
        """A clamp that ends at a current."""
        return self.with_motor(lambda v: np.minimum(v, ma))


def trial(motor: Motor = MOTOR, box: Box = BOX, *, rises=(1.2, 2.0, 0.8), seed=1, switches=True) -> Trial:
    """Off for 80 s, idle for 50 s, three cuts by how much they rise above idle [A], off again."""
    dice = Dice(generator(seed, "trial"))
    script = Script(T0, 260.0)
    if switches:
        script.lock(20.0, locked=True, station=2)
        script.lock(27.0, locked=False)
        script.doors.append(DoorOpening(35.0, 48.0, "look"))
    on, off = 82.0, 215.0
    script.runs.append(MotorRun(on, off, motor.start, motor.brake))
    at = 140.0
    for rise in rises:
        script.passages.append(
            passage(dice, at, 9.0, motor.load_for_rise(rise), entry_s=0.3, ripple=0.05, manner=Manner(), vertical=False)
        )
        at += 22.0
    played = play(Saw("heron", motor, box), script, dice.rng, 0.5)
    sec = lambda s: T0 + round(s * SECOND)  # noqa: E731
    return Trial(played.trace, Steps(sec(0), sec(80), sec(135), sec(213), sec(250)))
