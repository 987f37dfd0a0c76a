"""The outcome of a trial."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from collector.calibrate.clamp import clamp_size
from collector.calibrate.finding import Finding, Level
from collector.calibrate.findings import cutting, running, standstill, stopping, switching
from collector.calibrate.measured import Measured, Steps, blind, parts_of, settings_of, signal, switches, with_facts
from collector.detect.detector import derive
from collector.detect.settings import DetectSettings

if TYPE_CHECKING:
    from collector.signals import Trace


@dataclass(frozen=True, slots=True)
class Calibration:
    """The outcome: what was measured, what it means, and the detector's settings that follow.

    ``settings`` holds those that must differ from the base, by the names of `DetectSettings`; None: a step is missing,
    or a fault must be mended first.
    """

    measured: Measured
    findings: tuple[Finding, ...]
    settings: dict[str, int] | None

    @property
    def sound(self) -> bool:
        """Whether nothing stands against using the box."""
        return self.settings is not None and all(f.level is not Level.FAULT for f in self.findings)


def calibrate(saw: str, trace: Trace, steps: Steps, base: DetectSettings | None = None) -> Calibration:
    """Looks at a trial, as far as it has come.

    Args:
        saw: the saw's name.
        trace: its readings from ``steps.off`` to the end of the trial or to now.
        steps: when each step began.
        base: the detector's settings so far.
    """
    base = base or DetectSettings()
    parts = parts_of(trace, steps)
    measured = switches(trace, signal(parts))
    settings = settings_of(measured, base)
    facts = derive(saw, trace, base.with_set(settings))
    measured = with_facts(measured, facts, steps)
    findings = [*standstill(measured, parts), *running(measured, parts)]
    if not blind(measured):
        findings += [*cutting(measured, parts, steps), *clamp_size(measured, parts)]
    findings += stopping(measured, steps)
    findings += switching(measured)
    over = steps.end is not None and len(measured.rises_ma) > 0
    faulty = any(f.level is Level.FAULT for f in findings)
    return Calibration(measured, tuple(findings), None if faulty or not over else settings)
