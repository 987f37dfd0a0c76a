"""Tells systemd that the service is ready, that it lives, and that it ends: sd_notify(3), one datagram a message.

The watchdog hears a sign of life only while `well` says so: a service that runs and does nothing is started again.
"""

from __future__ import annotations

import logging
import os
import socket
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import threading
    from collections.abc import Callable, MutableMapping

log = logging.getLogger(__name__)

_PAUSE_SECONDS = 0.5  # how late a pause is noticed


class Supervisor:
    """Whoever started this process, if it wants to be told; otherwise nobody, and all here does nothing.

    Args:
        environment: its variables of sd_notify are taken out, so that no process started from here speaks for this one.
    """

    def __init__(self, environment: MutableMapping[str, str] = os.environ) -> None:
        address = environment.pop("NOTIFY_SOCKET", "")
        self._address = "\0" + address[1:] if address.startswith("@") else address
        watchdog = environment.pop("WATCHDOG_USEC", "")
        mine = environment.pop("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        self._within = int(watchdog) / 1e6 if watchdog.isdigit() and mine else None

    def ready(self) -> None:
        """Everything is started."""
        self._tell("READY=1")

    def wait(
        self,
        stopped: threading.Event,
        well: Callable[[], bool],
        pause: threading.Event | None = None,
        *,
        what: str = "collector",
    ) -> None:
        """Until ``stopped`` is set, a sign of life three times within the watchdog's time, while all is well.

        Also returns, and does not say that the service ends, when ``pause`` is set. ``what`` is named in the log.
        """
        was_well = True
        every = self._within / 3 if self._within else None
        if pause is not None:
            every = min(every or _PAUSE_SECONDS, _PAUSE_SECONDS)
        while not stopped.wait(every):
            if pause is not None and pause.is_set():
                return
            is_well = well()
            if is_well:
                self._tell("WATCHDOG=1")
            elif was_well:
                log.error("the %s does not move any more: systemd gets no sign of life until it does", what)
            was_well = is_well
        self._tell("STOPPING=1")

    def _tell(self, message: str) -> None:
        if not self._address:
            return
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
            try:
                out.connect(self._address)
                out.sendall(message.encode())
            except OSError as error:
                log.warning("systemd cannot be told %s: %s", message, error.strerror)
