"""This computer: its clock, the service that systemd keeps, who can read the password files."""

from __future__ import annotations

import ctypes
import shutil
import stat
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

from api.tongues.say import gettext, ngettext
from collector.trace.place import InfluxPlace
from dashboard.doctor.finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dashboard.config import Settings

UNIT = Path("/etc/systemd/system/kerfbook.service")

_UNSYNCHRONISED = 0x40  # STA_UNSYNC of adjtimex(2)


class _Timex(ctypes.Structure):
    """``struct timex`` of adjtimex(2) up to ``status``, and room for the rest."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * 256),
    )


def synchronised() -> bool | None:
    """Whether a time server keeps this computer's clock, as the kernel knows it of whatever program does so.

    None: the system cannot say.
    """
    try:
        ask = ctypes.CDLL(None, use_errno=True).adjtimex
    except (OSError, AttributeError):  # not Linux
        return None
    answer = _Timex()  # modes 0: only read
    if ask(ctypes.byref(answer)) < 0:
        return None
    return not answer.status & _UNSYNCHRONISED


def clock(kept: bool | None) -> Finding:
    """What `synchronised` says, for people."""
    subject = gettext("clock")
    if kept is None:
        return Finding(
            subject, gettext("this system cannot say whether a time server keeps it; see for yourself that it does")
        )
    if kept:
        return Finding(subject, gettext("kept by a time server"))
    return Finding(
        subject,
        gettext("no time server keeps it"),
        gettext("turn one on (systemd-timesyncd or chrony): shifts and days follow this clock, and boxes without one"),
    )


def service(unit: Path = UNIT) -> Finding | None:
    """The state of the unit that `kerfbook install-service` writes; None: there is none."""
    if not unit.exists():
        return None
    program = shutil.which("systemctl")
    if program is None:
        seen = gettext("{unit} is there, but no systemctl", unit=unit)
        return Finding(gettext("service"), seen, gettext("start `kerfbook run` some other way"))
    command = [program, "show", unit.name, "--property=ActiveState,SubState,NRestarts"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=20, check=False)  # noqa: S603
    if done.returncode != 0:
        return Finding(
            gettext("service"),
            gettext("systemd does not answer: {error}", error=done.stderr.strip()),
            gettext("ask it: {command}", command="systemctl status kerfbook"),
        )
    said = dict(line.partition("=")[::2] for line in done.stdout.splitlines())
    return state_of(said)


def state_of(said: dict[str, str]) -> Finding:
    """What systemd's properties mean, for people."""
    subject = gettext("service")
    state = f"{said.get('ActiveState', 'unknown')} ({said.get('SubState', 'unknown')})"
    restarts = said.get("NRestarts", "0")
    seen = state
    if restarts.isdigit() and restarts != "0":
        again = ngettext("started again {n} time by itself", "started again {n} times by itself", int(restarts))
        seen = f"{state}, {again}"
    if said.get("ActiveState") == "active":
        return Finding(subject, seen)
    return Finding(subject, seen, gettext("systemctl start kerfbook; journalctl -u kerfbook says why it ended"))


def secrets(settings: Settings) -> Iterator[Finding]:
    """Password files that everybody on this computer can read."""
    trace = settings.stores.trace
    for path in (settings.broker.password_file, trace.token_file if isinstance(trace, InfluxPlace) else None):
        if path is not None and path.stat().st_mode & stat.S_IROTH:
            seen = gettext("everybody on this computer can read {path}", path=path)
            yield Finding(gettext("secrets"), seen, f"chmod 600 {path}")
