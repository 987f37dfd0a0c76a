"""Time that nobody can put forward or back: microseconds since the machine was started."""

from __future__ import annotations

import time
import uuid
from contextlib import suppress
from functools import cache
from pathlib import Path

_CLOCK = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)  # goes on while the machine sleeps, where there is one


def ticks() -> int:
    """Microseconds since the start of the machine."""
    return time.clock_gettime_ns(_CLOCK) // 1000


@cache
def boot() -> str:
    """Which start of the machine `ticks` counts from; where the system does not say, this process's."""
    with suppress(OSError):
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    return uuid.uuid4().hex
