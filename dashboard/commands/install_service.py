"""``kerfbook install-service``: systemd units that start Kerfbook, watch it, back it up, and let it do little else."""

from __future__ import annotations

import os
import re
import shutil
import stat
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from api.tongues.say import gettext, later, reason
from collector.trace.place import InfluxPlace
from dashboard.commands import codes
from dashboard.commands.options import add_config, unfit
from dashboard.config import ConfigError, load
from dashboard.service import Service, alerts_unit, backup_timer, backup_unit, unit

if TYPE_CHECKING:
    import argparse

    from dashboard.config.settings import Settings

HELP = later("print or write the systemd units that keep `kerfbook run` running and back it up every night")
MORE = later("""
Prints the units for this kerfbook.toml, or writes them with --write, and says what is left to do:
kerfbook.service starts with the computer, is started again when it ends or when its collector
no longer moves, has a user of its own, and may write to the folder of its stores alone.
kerfbook-backup.timer runs `kerfbook backup` every night; where to and how many are kept,
[backup] in kerfbook.toml says. With --alerts, kerfbook-alerts.service looks for alerts and
tells people in a process of its own, and kerfbook.service leaves that to it.

example: sudo kerfbook install-service --config /etc/kerfbook/kerfbook.toml --write

Exit code: 0 printed or written, 1 it could not be written, 2 wrong arguments or configuration.
""")

_UNIT = Path("/etc/systemd/system/kerfbook.service")


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    add_config(parser)
    parser.add_argument("--user", type=_user, default="kerfbook", metavar="NAME", help=gettext("default: kerfbook"))
    parser.add_argument(
        "--memory",
        type=_memory,
        default="512M",
        metavar="SIZE",
        help=gettext(
            "with more memory than this it is started again (default: 512M, enough for 10 saws several times)"
        ),
    )
    parser.add_argument("--alerts", action="store_true", help=gettext("alerts in a process, and a unit, of their own"))
    parser.add_argument(
        "--no-backup", action="store_true", help=gettext("without the timer: something else makes backups")
    )
    parser.add_argument(
        "--write",
        nargs="?",
        type=Path,
        const=_UNIT,
        metavar="UNIT",
        help=gettext("write them there, the others beside, instead of printing them (default: {path})", path=_UNIT),
    )


def _user(text: str) -> str:
    if not re.fullmatch(r"[a-z_][a-z0-9_-]{0,31}", text) or text == "root":
        raise unfit(later("{found} is no name of a user that a service should have"), text)
    return text


def _memory(text: str) -> str:
    if not re.fullmatch(r"[1-9]\d*[MG]", text):
        raise unfit(later("{found} is no size; write it as 512M or 1G"), text)
    return text


def run(args: argparse.Namespace) -> int:
    """Print, or write."""
    try:
        settings = load(args.config)
    except (ConfigError, OSError) as error:
        print("kerfbook install-service:", reason(error), file=sys.stderr)
        return codes.MISUSED
    config, stores = args.config.resolve(), settings.stores.folder.resolve()
    backups = settings.backup.folder.resolve()
    service = Service(settings.site.title, _program(), config, stores, backups, args.user, args.memory)
    texts = {_UNIT.name: unit(service, alerts=not args.alerts)}
    if args.alerts:
        texts["kerfbook-alerts.service"] = alerts_unit(service)
    if not args.no_backup:
        texts |= {"kerfbook-backup.service": backup_unit(service), "kerfbook-backup.timer": backup_timer(service)}
    if args.write is None:
        print("\n".join(f"# {_UNIT.with_name(name)}\n{text}" for name, text in texts.items()), end="")
        return codes.DONE
    places = {args.write if name == _UNIT.name else args.write.with_name(name): text for name, text in texts.items()}
    try:
        for path, text in places.items():
            path.write_text(text, "utf-8")
    except OSError as error:
        print(f"kerfbook install-service: {error.filename}: {error.strerror}", file=sys.stderr)
        return codes.FLAWED
    print(gettext("wrote {paths}. Then, as root:", paths=", ".join(map(str, places))))
    _tell(service, settings, [path.name for path in places])
    return codes.DONE


def _tell(service: Service, settings: Settings, units: list[str]) -> None:
    """What is left to do."""
    user, backed_up = service.user, "kerfbook-backup.timer" in units
    secrets = [settings.broker.password_file, settings.broker.ca_file]
    if isinstance(settings.stores.trace, InfluxPlace):
        secrets.append(settings.stores.trace.token_file)
    print(f"  useradd --system --no-create-home --shell /usr/sbin/nologin {user}     {gettext('(once)')}")
    for folder in dict.fromkeys([service.stores, service.backups] if backed_up else [service.stores]):
        print(f"  mkdir -p {folder} && chown -R {user}: {folder}")
    files = [Path(service.config), *filter(None, secrets)]
    aside = gettext("(or move what is read from it elsewhere)")
    for folder in _shut(files):
        print(f"  chgrp {user} {folder} && chmod 710 {folder}     {aside}")
    for path in files:
        print(f"  chgrp {user} {path} && chmod 640 {path}")
    started = [name.removesuffix(".service") for name in units if name != "kerfbook-backup.service"]
    print(f"  systemctl daemon-reload && systemctl enable --now {' '.join(started)}")
    print("  journalctl -u kerfbook    ", gettext("what it says; the code for the first owner, too"))
    if backed_up:
        print(gettext("Backups go to {path}: copy them to another machine. To try one now:", path=service.backups))
        does = gettext("in an empty folder: brings everything back")
        print("  systemctl start kerfbook-backup && journalctl -u kerfbook-backup")
        print(f"  kerfbook restore {service.backups}/FILE.zip     {does}")


def _shut(files: list[Path]) -> list[Path]:
    """Folders above these files that let only their owner through, the outermost first."""
    above = {folder for path in files for folder in path.resolve().parents if folder.exists()}
    return sorted(folder for folder in above if not folder.stat().st_mode & stat.S_IXOTH)


def _program() -> tuple[str, ...]:
    """How this program was started: its script, or this Python."""
    script = shutil.which(sys.argv[0]) if Path(sys.argv[0]).name == "kerfbook" else None
    beside = Path(sys.executable).with_name("kerfbook")
    if script is None and os.access(beside, os.X_OK):
        script = str(beside)
    if script is not None:
        return (str(Path(script).absolute()),)
    return (sys.executable, "-P", "-c", "from dashboard.cli import main; raise SystemExit(main())")
