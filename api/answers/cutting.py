"""Cutting speed and feed per tooth of a circular saw blade."""

from __future__ import annotations

import math


def cutting_speed(diameter_mm: float, rpm: float) -> float:
    """Speed of the teeth [m/s], v = π·D·n.

    Args:
        diameter_mm: diameter of the blade [mm].
        rpm: speed of the spindle [1/min].
    """
    return math.pi * diameter_mm / 1000 * rpm / 60


def feed_per_tooth(feed_m_min: float, rpm: float, teeth: int) -> float:
    """How far the work advances from one tooth to the next [mm], f_z = v_f / (n·z).

    Args:
        feed_m_min: feed [m/min].
        rpm: speed of the spindle [1/min].
        teeth: number of teeth.
    """
    return feed_m_min * 1000 / (rpm * teeth)
