"""The saw's three-phase induction motor: its current when it starts, idles, carries load and brakes.

Everything here is the RMS current of one line conductor in amperes, or its square: heating, and so an RMS
reading, follows the square, and squares of currents in quadrature add.

**How idle and load add.** A motor's no-load current is mostly magnetising current, 90° behind the voltage;
only its friction and losses (bearings, belt, windage of the blade) draw active current. Cutting is active
power. So

    I² = I_m² + (I_a0 + I_load)²,    I_load = P / (√3·U·η)

A small load therefore raises the current less than in proportion (nearly in quadrature), a large one almost
linearly. A cold motor is stiff: the extra is friction, active current, so the same cut shows more on a cold
saw.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

EDGE_S = 0.002
"""How long a contactor's edge takes in the model [s]; shorter than any box's sampling."""


WATTS_PER_HORSEPOWER = 745.7
NFPA70_AMPS_460V = {
    0.5: 1.1, 0.75: 1.6, 1: 2.1, 1.5: 3.0, 2: 3.4, 3: 4.8, 5: 7.6, 7.5: 11.0, 10: 14.0, 15: 21.0, 20: 27.0,
}  # fmt: skip
"""NFPA 70 Table 430.250, full-load currents of three-phase induction motors at 460 V [A] by horsepower."""


@dataclass(frozen=True, slots=True)
class Nameplate:
    """Rating of a motor: shaft power [W], line voltage [V], power factor and efficiency at full load."""

    watts: float
    volts: float = 400.0
    power_factor: float = 0.83
    efficiency: float = 0.86

    @property
    def full_load_amps(self) -> float:
        """Line current at rated load [A], from P = √3·U·I·cos φ·η."""
        return self.watts / (math.sqrt(3) * self.volts * self.power_factor * self.efficiency)

    @classmethod
    def of_current(cls, amps: float, volts: float = 400.0) -> Nameplate:
        """The rating whose full-load current is ``amps`` [A]."""
        per_watt = cls(1.0, volts).full_load_amps
        return cls(amps / per_watt, volts)

    @classmethod
    def nfpa70(cls, horsepower: float, volts: float = 460.0) -> Nameplate:
        """A motor of `NFPA70_AMPS_460V`; other voltages in inverse proportion.

        The table fixes the product of power factor and efficiency; what the efficiency leaves is put on the former.

        Raises:
            KeyError: the table has no motor of that rating.
        """
        watts = horsepower * WATTS_PER_HORSEPOWER
        efficiency = cls(watts).efficiency
        power_factor = watts / (math.sqrt(3) * 460.0 * NFPA70_AMPS_460V[horsepower] * efficiency)
        return cls(watts, volts, power_factor, efficiency)

    def active_amps(self, watts: float) -> float:
        """Active line current that ``watts`` at the blade add [A]."""
        return watts / (math.sqrt(3) * self.volts * self.efficiency)


class Starting(StrEnum):
    """How the motor is brought up to speed."""

    DIRECT = "direct"
    STAR_DELTA = "star-delta"
    SOFT = "soft"


@dataclass(frozen=True, slots=True)
class Start:
    """A start: the way, current with locked rotor, time to speed.

    ``ratio`` is the locked-rotor current on full voltage over the full-load current (6..8, *common
    practice*).
    ``spin_up_s`` is the time to 95 % of speed on full voltage. ``timer_s`` is the time in star, or the ramp
    of a soft start; ``limit`` the current limit of a soft start over full load. ``dip_s`` is how long neither
    contactor of a star-delta starter is closed.
    """

    way: Starting = Starting.DIRECT
    ratio: float = 6.5
    spin_up_s: float = 1.2
    timer_s: float = 5.0
    limit: float = 3.0
    dip_s: float = 0.06

    @property
    def ready_s(self) -> float:
        """From closing the contactor until the motor idles at full speed [s]."""
        return self.spin_up_s * 1.35 if self.way is Starting.DIRECT else self.timer_s + self.dip_s + 0.5


@dataclass(frozen=True, slots=True)
class Brake:
    """How the blade comes to rest after switching off.

    An electronic brake waits ``dead_s`` for the field to decay (some do not wait), then feeds rectified
    current.
    ``visible`` is False where the clamp cannot see it: the brake feeds another conductor or a smooth direct
    current through a current transformer. ``plateau`` is the brake's RMS current over the warm idle current.
    ``stop_s`` is from switching off to standstill; without a brake (``electronic`` False) it is the free
    run-out.
    """

    electronic: bool = True
    visible: bool = True
    dead_s: float = 0.3
    plateau: float = 1.4
    stop_s: float = 2.8


@dataclass(frozen=True, slots=True)
class Motor:
    """A motor on a saw.

    ``idle`` is the warm no-load current over full load (0.3..0.5, belt and blade included), ``idle_factor``
    the power factor at no load. ``cold`` is by how much a cold saw idles higher (0..0.33), warming with
    ``warm_s`` and cooling with
    ``cool_s`` [s]. ``wander`` is the largest deviation of idle current with the supply (0..0.08).
    """

    plate: Nameplate = field(default_factory=lambda: Nameplate(4000.0))
    idle: float = 0.38
    idle_factor: float = 0.3
    start: Start = field(default_factory=Start)
    brake: Brake = field(default_factory=Brake)
    cold: float = 0.25
    warm_s: float = 150.0
    cool_s: float = 2400.0
    wander: float = 0.04

    @property
    def idle_amps(self) -> float:
        """Warm idle current at nominal voltage [A]."""
        return self.idle * self.plate.full_load_amps

    @property
    def magnetising_amps(self) -> float:
        """Reactive part of the idle current at nominal voltage [A]."""
        return self.idle_amps * math.sqrt(1.0 - self.idle_factor**2)

    def squared(self, load_amps: Floats, coldness: Floats, supply: Floats) -> Floats:
        """Square of the running current [A²].

        Args:
            load_amps: active current of the cut at nominal voltage [A].
            coldness: 1 for a saw cold from the night, 0 for a warm one.
            supply: idle current's factor with the supply voltage, about 1.
        """
        magnetising = (self.magnetising_amps * supply) ** 2
        idle = (self.idle_amps * (1.0 + self.cold * coldness) * supply) ** 2
        # Constant cutting power draws less current at higher voltage; idle, near saturation, follows about
        # the voltage's square.
        active = np.sqrt(idle - magnetising) + load_amps / np.sqrt(supply)
        out: Floats = magnetising + active**2
        return out

    def load_for_rise(self, rise_amps: float, coldness: float = 0.0) -> float:
        """Active current [A] that raises the idle current by ``rise_amps`` [A] at nominal voltage."""
        idle = self.idle_amps * (1.0 + self.cold * coldness)
        magnetising = self.magnetising_amps
        return math.sqrt((idle + rise_amps) ** 2 - magnetising**2) - math.sqrt(idle**2 - magnetising**2)

    def warmth(self, runs: list[tuple[float, float]], warm: float = 0.0) -> list[float]:
        """Warmth (0 cold … 1 warm) at the start of every run; ``warm`` is the warmth at the first."""
        out: list[float] = []
        before: float | None = None
        for on, off in runs:
            if before is not None:
                warm *= math.exp(-(on - before) / self.cool_s)
            out.append(warm)
            warm = 1.0 - (1.0 - warm) * math.exp(-(off - on) / self.warm_s)
            before = off
        return out

    def start_excess(self, start: Start, coldness: float) -> tuple[Floats, Floats]:
        """Square of the starting current less that of idling [A²] against time from switching on [s]."""
        idle2 = float(self.squared(np.zeros(1), np.full(1, coldness), np.ones(1))[0])
        locked2 = (start.ratio * self.plate.full_load_amps) ** 2 - idle2
        match start.way:
            case Starting.DIRECT:
                t, excess = run_up(locked2, start.spin_up_s)
            case Starting.STAR_DELTA:
                star_idle2 = idle2 - self.magnetising_amps**2 * (1 - 1 / 9)
                t, excess = _star_delta(start, locked2, idle2, star_idle2)
            case Starting.SOFT:
                t, excess = _soft(start, self.plate.full_load_amps, idle2)
        t = np.concatenate(([0.0], np.maximum(t, EDGE_S)))
        excess = np.concatenate(([0.0], excess))
        return t, excess

    def brake_squared(self, brake: Brake) -> tuple[Floats, Floats]:
        """Square of the brake's current [A²] against time from switching off [s]; empty where not seen."""
        if not (brake.electronic and brake.visible):
            return np.empty(0), np.empty(0)
        top = (brake.plateau * self.idle_amps) ** 2
        rise = min(0.05, brake.dead_s + 0.02)
        t = np.array([brake.dead_s + EDGE_S, brake.dead_s + EDGE_S + rise, brake.stop_s - 0.02, brake.stop_s])
        return t, np.array([0.0, top, top * 0.93, 0.0])


# Slip at which an induction motor of a few kW pulls hardest, from memory: 0.15..0.3.
_BREAKDOWN_SLIP = 0.2
_SLIPS = np.concatenate((np.linspace(1.0, 0.2, 14), np.geomspace(0.17, 0.002, 14)))


def _time_to_slip(slip: Floats | float) -> Floats:
    """Time in which a pure inertia is run up to a slip, in units of the motor's.

    Kloss' torque curve T/T_b = 2/(s/s_b + s_b/s), integrated as ds/T from standstill, gives
    (1 - s²)/(4·s_b) + s_b/2·ln(1/s).
    """
    s = np.asarray(slip, np.float64)
    out: Floats = (1.0 - s**2) / (4 * _BREAKDOWN_SLIP) + _BREAKDOWN_SLIP / 2 * np.log(1.0 / s)
    return out


def _rotor(slip: Floats | float) -> Floats:
    """Square of the rotor's current at a slip over that at standstill: (1 + s_b²)/(1 + (s_b/s)²)."""
    s = np.asarray(slip, np.float64)
    out: Floats = (1 + _BREAKDOWN_SLIP**2) / (1 + (_BREAKDOWN_SLIP / s) ** 2)
    return out


def run_up(locked2: float, spin_up_s: float) -> tuple[Floats, Floats]:
    """Starting current of a direct start, squared, above idle.

    Args:
        locked2: square of the locked-rotor current less that of the idle current [A²].
        spin_up_s: time to 95 % of speed [s].

    Returns:
        times [s] and excess squares [A²]; the last is zero.
    """
    unit = spin_up_s / float(_time_to_slip(0.05))
    t = _time_to_slip(_SLIPS) * unit
    excess = locked2 * _rotor(_SLIPS)
    return np.append(t, t[-1] + 0.1), np.append(excess, 0.0)


def _star_delta(start: Start, locked2: float, idle2: float, star_idle2: float) -> tuple[Floats, Floats]:
    # In star each winding has U/√3: a third of the line current and a third of the torque, so the run-up
    # takes three times as long.
    unit = 3 * start.spin_up_s / float(_time_to_slip(0.05))
    times = _time_to_slip(_SLIPS) * unit
    seen = times < start.timer_s
    slip = float(np.interp(start.timer_s, times, _SLIPS))
    star_t = np.append(times[seen], start.timer_s)
    star = np.append(locked2 / 9 * _rotor(_SLIPS[seen]), locked2 / 9 * float(_rotor(slip))) + star_idle2 - idle2
    # The motor, still turning and out of phase, is put on the full voltage: a short spike, then what is left
    # of the run-up.
    back = start.timer_s + start.dip_s
    rest_slips = _SLIPS[slip > _SLIPS]
    rest_t = (_time_to_slip(rest_slips) - float(_time_to_slip(slip))) * unit / 3
    spike_s, spike2 = 0.05, 0.35 * locked2
    delta_t = np.concatenate(([0.0, spike_s], spike_s + 0.02 + rest_t))
    delta = np.concatenate(([spike2, 0.5 * spike2], locked2 * _rotor(rest_slips)))
    t = np.concatenate((star_t, [start.timer_s + EDGE_S, back], back + EDGE_S + delta_t))
    excess = np.concatenate((star, [-idle2, -idle2], delta))
    return np.append(t, t[-1] + 0.08), np.append(excess, 0.0)


def _soft(start: Start, full_load_amps: float, idle2: float) -> tuple[Floats, Floats]:
    # Voltage ramps from a pedestal until the current limit, stays there while the blade gathers speed, then
    # the bypass closes.
    top = start.limit * full_load_amps
    shape = np.array([0.45, 0.75, 1.0, 1.0, 0.93, 0.6, 0.25])
    when = np.array([0.0, 0.12, 0.3, 0.75, 0.88, 0.96, 1.0]) * start.timer_s
    excess = np.maximum((shape * top) ** 2 - idle2, 0.0)
    excess[-1] = 0.3 * idle2
    return np.append(when, start.timer_s + 0.25), np.append(excess, 0.0)
