"""The systemd units of Kerfbook, as text. Pure; systemd.exec(5), systemd.service(5) and systemd.timer(5) tell the keys.

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
        backups: the folder of the backups, absolute.
        user: under which it runs.
        memory: bytes above which the system ends and starts it again, as systemd writes them: ``512M``.
    """

    title: str
    command: tuple[str, ...]
    config: PurePath
    stores: PurePath
    backups: PurePath
    user: str
    memory: str


def unit(service: Service, *, alerts: bool = True) -> str:
    """``kerfbook.service``; ``alerts`` False: they are looked for by `alerts_unit`'s process."""
    return _kept(service, "", "run", *(() if alerts else ("--no-alerts",)))


def alerts_unit(service: Service) -> str:
    """``kerfbook-alerts.service``."""
    return _kept(service, ": alerts", "alerts")


def backup_unit(service: Service) -> str:
    """``kerfbook-backup.service``, which `backup_timer` starts; how many backups stay is for kerfbook.toml to say."""
    return f"""\
{_HEAD}
[Unit]
Description=Kerfbook of {_escaped(service.title)}: backup

[Service]
Type=oneshot
ExecStart={_start(service, "backup")}
{_limits(service)}
Nice=10
TimeoutStartSec=6h
{_places(service.stores, service.backups)}

{_SANDBOX}"""


def backup_timer(service: Service) -> str:
    """``kerfbook-backup.timer``: every night, or as soon as the computer runs again."""
    return f"""\
{_HEAD}
[Unit]
Description=Kerfbook of {_escaped(service.title)}: backup every night

[Timer]
OnCalendar=*-*-* 03:15:00
RandomizedDelaySec=10min
Persistent=true

[Install]
WantedBy=timers.target
"""


_HEAD = "# Written by `kerfbook install-service`."
_SANDBOX = """\
# It needs the network, its folders, and nothing else of the computer.
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
"""


def _kept(service: Service, what: str, *act: str) -> str:
    """The unit of a process that is kept running."""
    return f"""\
{_HEAD}
[Unit]
Description=Kerfbook of {_escaped(service.title)}{what}
Wants=network-online.target
After=network-online.target mosquitto.service postgresql.service
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
ExecStart={_start(service, *act)}
{_limits(service)}
Restart=always
RestartSec=5
WatchdogSec={WATCHDOG_SECONDS}
TimeoutStartSec=900
TimeoutStopSec=60
{_places(service.stores)}

{_SANDBOX}
[Install]
WantedBy=multi-user.target
"""


def _start(service: Service, *act: str) -> str:
    command = (*service.command, *act, "--config", str(service.config))
    return " ".join(_quoted(part, variables=True) for part in command)


def _limits(service: Service) -> str:
    return f"""\
Environment=PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1
MemoryMax={service.memory}
TasksMax=256
User={service.user}
UMask=0077"""


def _places(*folders: PurePath) -> str:
    """What may be written to."""
    lines = []
    for folder in dict.fromkeys(folders):
        if str(folder.parent) == _STATE:  # systemd makes it and gives it to the user
            lines += [f"StateDirectory={folder.name}", "StateDirectoryMode=0700"]
        else:
            lines.append(f"ReadWritePaths={_quoted(str(folder))}")
    return "\n".join(dict.fromkeys(lines))


def _escaped(text: str) -> str:
    """``%`` begins a specifier in units."""
    return text.replace("%", "%%").replace("\n", " ")


def _quoted(part: str, *, variables: bool = False) -> str:
    """As one word; ``variables``: in a command line, where ``$`` begins one (systemd.service(5))."""
    part = part.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    part = part.replace("$", "$$") if variables else part
    return f'"{part}"' if any(c.isspace() or c in "'\"" for c in part) else part
