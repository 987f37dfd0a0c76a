"""A script: what happens on one saw over a stretch of time, before anybody measures it.

Times are seconds from the script's start, true time. The crew writes a script, the motor gives it current,
the box measures that, and the truth is read off the script, never off the measurement.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simulator.load import Passage
    from simulator.motor import Brake, Start


@dataclass(frozen=True, slots=True)
class MotorRun:
    """Contactor closes at ``on``, opens at ``off`` [s]; how it starts and how it stops."""

    on: float
    off: float
    start: Start
    brake: Brake

    @property
    def standstill(self) -> float:
        """When the blade stands still [s]."""
        return self.off + self.brake.stop_s

    @property
    def quiet(self) -> float:
        """When the last current that the clamp can see has died away [s]."""
        return self.standstill if self.brake.electronic and self.brake.visible else self.off


@dataclass(frozen=True, slots=True)
class DoorOpening:
    """The blade door is open from ``opened`` to ``closed`` [s]; why."""

    opened: float
    closed: float
    cause: str


@dataclass(slots=True)
class Script:
    """Everything that happens in ``seconds`` from ``start_us`` (UTC), each list in order of time.

    ``locks`` holds (time, locked, station); the first entry is the state at the start, at time 0.
    """

    start_us: int
    seconds: float
    runs: list[MotorRun] = field(default_factory=list)
    passages: list[Passage] = field(default_factory=list)
    locks: list[tuple[float, bool, int]] = field(default_factory=lambda: [(0.0, False, 0)])
    doors: list[DoorOpening] = field(default_factory=list)

    def lock(self, when: float, *, locked: bool, station: int = 0) -> None:
        """Move the beam's lock, if that changes anything."""
        _, now, at = self.locks[-1]
        if (now, at) != (locked, station):
            self.locks.append((when, locked, station))

    @property
    def locked(self) -> bool:
        """State of the lock at the end of what is written so far."""
        return self.locks[-1][1]
