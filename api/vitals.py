"""How this process is: its collector and the disk of its stores; for ``/healthz``, ``/metrics`` and the watchdog."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from collector.mqtt import Health

STUCK_SECONDS = 240.0
"""A collector that has not gone round for so long hangs; it waits at most some 40 s for a broker or a store."""

LEAST_BYTES = 16 << 20
"""With less room on the disk the next commits fail."""


class Ill(NamedTuple):
    """What is not well, and how, without anything that a stranger may not know."""

    where: str
    detail: str


@dataclass(slots=True)
class Vitals:
    """What a process tells of itself.

    Attributes:
        collector: how its collector is; None: none runs in this process.
        folder: on the disk of the stores; None: they are elsewhere.
        trace: file of the trace; None: it is no file.
    """

    collector: Callable[[], Health] | None = None
    folder: Path | None = None
    trace: Path | None = None

    def look(self) -> list[Ill]:
        """All that is not well now."""
        found = [] if self.collector is None else collector_faults(self.collector())
        return found + ([] if self.folder is None else disk_faults(self.folder))

    def moves(self) -> bool:
        """Whether the collector works, or waits for a broker or a store; True where none runs in this process."""
        if self.collector is None:
            return True
        health = self.collector()
        return health.running and health.moved_s < STUCK_SECONDS


def collector_faults(health: Health) -> list[Ill]:
    """What is not well with a collector. Pure."""
    if not health.running:
        return [Ill("collector", "It has ended. Restart `kerfbook run`; the broker keeps what the boxes send.")]
    found = []
    if health.moved_s >= STUCK_SECONDS:
        found.append(Ill("collector", f"It has not moved for {health.moved_s:.0f} s."))
    if not health.connected:
        found.append(Ill("broker", f"Not connected: {_short(health.broker_error or 'no reason known')}."))
    elif health.broker_error is not None:
        found.append(Ill("broker", _short(health.broker_error)))
    if health.store_error is not None:
        # The rest of the error may hold a statement or an address; it is in the log.
        found.append(Ill("stores", f"They cannot be written: {health.store_error.split(':')[0]}."))
    return found


def _short(said: str) -> str:
    """The first line of what a library said; what follows may be a statement with its values."""
    return said.strip().partition("\n")[0][:200]


def disk_faults(folder: Path) -> list[Ill]:
    """What hinders writing into a folder, as far as can be seen without writing."""
    try:
        state = os.statvfs(folder)
    except OSError as error:
        return [Ill("disk", f"The folder of the stores cannot be looked at: {error.strerror}.")]
    if state.f_flag & os.ST_RDONLY:
        return [Ill("disk", "The disk of the stores is read-only.")]
    if not os.access(folder, os.W_OK | os.X_OK):
        return [Ill("disk", "The folder of the stores may not be written to.")]
    free = state.f_bavail * state.f_frsize
    return [Ill("disk", f"The disk of the stores is full: {free >> 20} MiB are free.")] if free < LEAST_BYTES else []
