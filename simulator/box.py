"""The sensor box: it samples the motor current, watches two switches, and is no better than such boxes are.

`Box.watch` turns a current and a script into the readings that leave the box, and says where readings were
lost. Times that leave the box are by its own clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from collector.signals import Series, Trace
from simulator.current import Current, ragged
from simulator.dice import Dice

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from simulator.motor import Floats
    from simulator.script import Script

Hole = tuple[float, float]
"""From … to [s from the script's start]: readings in between never arrive."""


@dataclass(frozen=True, slots=True)
class Box:
    """A sensor box.

    Attributes:
        rate: motor samples a second while current flows.
        jitter: largest deviation of a sample's time, over the sampling interval (below 0.5).
        noise: standard deviation of a sample [A].
        resolution: step of the reported current [A].
        offset: what the clamp and its amplifier report at standstill [A]; RMS, so it adds in quadrature.
        wild: share of samples that are nonsense.
        bounce: share of lock movements whose switch bounces.
        heartbeat_s: time between samples with the motor off; 0: samples at full rate for ever.
        hold_s: how long full sampling goes on after current has died away [s].
        lost_packs: share of packs (of a second) that never arrive.
        holes: stretches in which nothing arrives.
        outages: stretches in which the box cannot reach the broker and keeps its packs for later.
        station: whether the box reports the station.
        clock_offset_s: its clock minus true time at the script's start [s]; clock_ppm: its drift.
        has_clock: False: it sends times relative to now.
    """

    rate: float = 10.0
    jitter: float = 0.05
    noise: float = 0.03
    resolution: float = 0.01
    offset: float = 0.02
    wild: float = 0.0
    bounce: float = 0.2
    heartbeat_s: float = 10.0
    hold_s: float = 2.0
    lost_packs: float = 0.0
    holes: tuple[Hole, ...] = ()
    outages: tuple[Hole, ...] = ()
    station: bool = True
    clock_offset_s: float = 0.0
    clock_ppm: float = 0.0
    has_clock: bool = True

    def stamp(self, seconds: Floats, start_us: int) -> NDArray[np.int64]:
        """True times [s from the script's start] as the box's clock tells them [µs UTC]."""
        shown = seconds * (1.0 + self.clock_ppm * 1e-6) + self.clock_offset_s
        return start_us + np.rint(shown * 1e6).astype(np.int64)

    def watch(self, script: Script, current: Current, rng: np.random.Generator) -> tuple[Trace, list[Hole]]:
        """The readings that arrive in the end, and the holes in them."""
        holes = self._holes(script, rng)
        phase = float(rng.random())
        when, amps = self._motor(script, current, rng, phase)
        times = when, *self._switches(script, Dice(rng), phase)
        (motor_t, lock, station, door) = times
        trace = Trace(
            self._series(script, motor_t, np.rint(amps * 1000).astype(np.int32), holes),
            self._series(script, *lock, holes),
            self._series(script, *station, holes),
            self._series(script, *door, holes),
        )
        return trace, holes

    def _series(self, script: Script, t: Floats, v: NDArray[np.int32], holes: list[Hole]) -> Series:
        if holes:
            edges = np.array(holes).ravel()
            heard = (np.searchsorted(edges, t, side="right") & 1) == 0
            t, v = t[heard], v[heard]
        return Series.of(self.stamp(t, script.start_us), v)

    def _holes(self, script: Script, rng: np.random.Generator) -> list[Hole]:
        holes = list(self.holes)
        if self.lost_packs > 0:
            lost = np.flatnonzero(rng.random(int(script.seconds)) < self.lost_packs)
            holes += [(float(k), k + 1.0) for k in lost]
        merged: list[Hole] = []
        for a, b in sorted(holes):
            if merged and a <= merged[-1][1]:
                merged[-1] = (merged[-1][0], max(b, merged[-1][1]))
            else:
                merged.append((a, b))
        return merged

    def ticks(self, script: Script, phase: float) -> tuple[Floats, Floats]:
        """Nominal sampling times [s] and the interval that each closes [s].

        The box wakes when current flows and first reports the interval before, so that the first fast sample
        covers one short interval and not the quiet before it.
        """
        fast = 1.0 / self.rate
        pieces: list[tuple[float, float, float]] = []  # from, to, step
        at = phase * fast
        if self.heartbeat_s > 0:
            for run in script.runs:
                wake = run.on - fast * (1.0 + (phase * 7919.0 + run.on * 31.0) % 1.0)
                if not pieces or wake > pieces[-1][1] + fast:
                    if wake > at:
                        pieces.append((at, wake, self.heartbeat_s))
                    pieces.append((wake, run.quiet + self.hold_s, fast))
                else:
                    pieces[-1] = (pieces[-1][0], run.quiet + self.hold_s, fast)
                at = pieces[-1][1] + self.heartbeat_s / 2
            if at < script.seconds:
                pieces.append((at, script.seconds, self.heartbeat_s))
        else:
            pieces.append((at, script.seconds, fast))
        start, end, step = np.array(pieces).T
        group, index = ragged(np.ceil((end - start) / step - 1e-9).astype(np.int64))
        when = start[group] + index * step[group]
        step = step[group]
        # Where a quiet stretch ends just before the box wakes, the last heartbeat gives way to the first fast
        # sample.
        keep = (when < script.seconds) & (np.diff(when, append=np.inf) > 0.99 * fast)
        return when[keep], step[keep]

    def _motor(self, script: Script, current: Current, rng: np.random.Generator, phase: float) -> tuple[Floats, Floats]:
        when, step = self.ticks(script, phase)
        if self.jitter > 0:
            # Jitter is the box's, of the order of its fast interval even in the heartbeat.
            shift = rng.random(len(when))
            shift -= 0.5
            shift *= 2 * self.jitter / self.rate
            when += shift
            when[: int(10 * self.rate)].clip(1e-6, None, out=when[: int(10 * self.rate)])
        amps = current.rms_since_before(when, float(when[0] - step[0]))
        # What amplifier and clamp show at standstill is a current of its own: squares add.
        amps *= amps
        amps += self.offset**2
        np.sqrt(amps, out=amps)
        amps += self.noise * rng.standard_normal(len(amps), np.float32)
        if self.wild > 0:
            wild = np.flatnonzero(rng.random(len(amps)) < self.wild)
            nonsense = rng.random(len(wild))
            # Half of them drop to nothing, half show anything up to several times what flows.
            amps[wild] = np.where(nonsense < 0.5, 0.0, 1.0 + 40.0 * (nonsense - 0.5) + amps[wild])
        if self.resolution > 0:
            amps /= self.resolution
            np.rint(amps, out=amps)
            amps *= self.resolution
        # A box subtracts nothing below zero; the wire reads small negative values as zero.
        return when, np.maximum(amps, 0.0, out=amps)

    def _switches(
        self, script: Script, dice: Dice, phase: float
    ) -> tuple[tuple[Floats, NDArray[np.int32]], tuple[Floats, NDArray[np.int32]], tuple[Floats, NDArray[np.int32]]]:
        """Lock, station and door: each change at its time, and where they stand every ten seconds."""
        report = np.arange(10.0 * phase, script.seconds, 10.0)
        lock_t, locked, station = (np.array(c) for c in zip(*script.locks, strict=True))
        flips: list[tuple[float, int]] = []
        for when, state, _ in script.locks[1:]:
            flips.append((when, int(state)))
            if dice.chance(self.bounce):
                at = when
                for k in range(2 * dice.integer(1, 4)):
                    at += dice.uniform(0.003, 0.06)
                    flips.append((at, int(state) ^ (k + 1 & 1)))
        flips.sort()
        known = np.searchsorted(lock_t, report, side="right") - 1
        lock = _join(flips, report, locked[known].astype(np.int32))
        at_station = locked & (np.arange(len(locked)) > 0 if self.station else False)
        stations = (np.empty(0), np.empty(0, np.int32))
        if self.station:
            stations = _join(
                [(float(t), int(s)) for t, s, on in zip(lock_t, station, at_station, strict=True) if on],
                report[locked[known]],
                station[known][locked[known]].astype(np.int32),
            )
        moves = sorted([(d.opened, 0) for d in script.doors] + [(d.closed, 1) for d in script.doors])
        edges = np.array([t for t, _ in moves])
        door = _join(moves, report, 1 - (np.searchsorted(edges, report, side="right") & 1).astype(np.int32))
        return lock, stations, door


def _join(
    changes: list[tuple[float, int]], report: Floats, state: NDArray[np.int32]
) -> tuple[Floats, NDArray[np.int32]]:
    """Changes and periodic reports in order of time; a change comes before a report at the same time."""
    t = np.concatenate((np.array([c[0] for c in changes], np.float64), report))
    v = np.concatenate((np.array([c[1] for c in changes], np.int32), state))
    order = np.argsort(t, kind="stable")
    return t[order], v[order]
