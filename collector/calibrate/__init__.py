"""Calibration: what a short, guided trial of one saw says about its box, clamp and motor. Pure.

The person says when each step begins, so that the signal can be held against what was really done: current with the
motor off, or none while it runs, cannot be seen by a detector that has only the signal to go by.

Steps: ``off`` (motor off; move the lock and the blade door), ``idle`` (switch on, let it idle), ``cuts`` (make three
cuts), ``stop`` (switch off, wait for standstill). What an RMS reading cannot tell, the findings say.
"""

from collector.calibrate.calibration import Calibration, calibrate
from collector.calibrate.finding import Amps, Figure, Finding, Level, Value
from collector.calibrate.measured import Measured, Steps

__all__ = ["Amps", "Calibration", "Figure", "Finding", "Level", "Measured", "Steps", "Value", "calibrate"]
