"""The systemd unit of `kerfbook run`, as text. Pure; systemd.exec(5) and systemd.service(5) describe the keys.

The service has a user of its own and not a dynamic one: files with passwords must belong to somebody for longer than
a run. What it may write is the folder of its stores alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import PurePath

WATCHDOG_SECONDS = 600
"""More than twice the time after which a collector counts as stuck (`api.vitals.STUCK_SECONDS`)."""

_STATE = "/var/lib"


@dataclass(frozen=True, slots=True)
class Service:
    """What a unit is made of.

    Attributes:
        title: of the workshop.
        command: the program with its first arguments, absolute.
        config: kerfbook.toml, absolute.
        stores: the folder of trace and book, absolute.
        user: under which it runs.
        memory: bytes above which the system ends and starts it again, as systemd writes them: ``512M``.
    """

    title: str
    command: tuple[str, ...]
    config: PurePath
    stores: PurePath
    user: str
    memory: str


def unit(service: Service) -> str:
    """``kerfbook.service``."""
    stores = service.stores
    if str(stores.parent) == _STATE:  # systemd makes it and gives it to the user
        place = f"StateDirectory={stores.name}\nStateDirectoryMode=0700"
    else:
        place = f"ReadWritePaths={_quoted(str(stores))}"
    command = (*service.command, "run", "--config", str(service.config))
    start = " ".join(_quoted(part, variables=True) for part in command)
    return f"""\
# Written by `kerfbook install-service`.
[Unit]
Description=Kerfbook of {_escaped(service.title)}
Wants=network-online.target
After=network-online.target mosquitto.service postgresql.service
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
ExecStart={start}
Environment=PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1
Restart=always
RestartSec=5
WatchdogSec={WATCHDOG_SECONDS}
TimeoutStartSec=900
TimeoutStopSec=60
MemoryMax={service.memory}
TasksMax=256
User={service.user}
UMask=0077
{place}

# It needs the network, its folder, and nothing else of the computer.
NoNewPrivileges=yes
CapabilityBoundingSet=
ProtectSystem=strict
ProtectHome=read-only
PrivateTmp=yes
PrivateDevices=yes
PrivateUsers=yes
ProtectProc=invisible
ProtectClock=yes
ProtectHostname=yes
ProtectControlGroups=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX AF_NETLINK
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged @resources
SystemCallErrorNumber=EPERM
RemoveIPC=yes

[Install]
WantedBy=multi-user.target
"""


def _escaped(text: str) -> str:
    """``%`` begins a specifier in units."""
    return text.replace("%", "%%").replace("\n", " ")


def _quoted(part: str, *, variables: bool = False) -> str:
    """As one word; ``variables``: in a command line, where ``$`` begins one (systemd.service(5))."""
    part = part.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    part = part.replace("$", "$$") if variables else part
    return f'"{part}"' if any(c.isspace() or c in "'\"" for c in part) else part
