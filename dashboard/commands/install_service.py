"""``kerfbook install-service``: a systemd unit that starts Kerfbook, watches it, and lets it do little else."""

from __future__ import annotations

import argparse
import os
import re
import shutil
import sys
from pathlib import Path

from collector.trace.place import InfluxPlace
from dashboard.commands import codes
from dashboard.config import ConfigError, load
from dashboard.service import Service, unit

HELP = "print or write the systemd unit that keeps `kerfbook run` running"
MORE = """
Prints kerfbook.service for this kerfbook.toml, or writes it with --write, and says what is left
to do. The service starts with the computer, is started again when it ends or when its collector
no longer moves, has a user of its own, and may write to the folder of its stores alone.

example: sudo kerfbook install-service --config /etc/kerfbook/kerfbook.toml --write

Exit code: 0 printed or written, 1 it could not be written, 2 wrong arguments or configuration.
"""

_UNIT = Path("/etc/systemd/system/kerfbook.service")


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    parser.add_argument(
        "--config", type=Path, default=Path("kerfbook.toml"), metavar="TOML", help="default: kerfbook.toml"
    )
    parser.add_argument("--user", type=_user, default="kerfbook", metavar="NAME", help="default: kerfbook")
    parser.add_argument(
        "--memory",
        type=_memory,
        default="512M",
        metavar="SIZE",
        help="with more memory than this it is started again (default: 512M, enough for 10 saws several times)",
    )
    parser.add_argument(
        "--write",
        nargs="?",
        type=Path,
        const=_UNIT,
        metavar="UNIT",
        help=f"write it there instead of printing it (default: {_UNIT})",
    )


def _user(text: str) -> str:
    if not re.fullmatch(r"[a-z_][a-z0-9_-]{0,31}", text) or text == "root":
        raise argparse.ArgumentTypeError(f"{text!r} is no name of a user that a service should have")
    return text


def _memory(text: str) -> str:
    if not re.fullmatch(r"[1-9]\d*[MG]", text):
        raise argparse.ArgumentTypeError(f"{text!r} is no size; write it as 512M or 1G")
    return text


def run(args: argparse.Namespace) -> int:
    """Print, or write."""
    try:
        settings = load(args.config)
    except (ConfigError, OSError) as error:
        print(f"kerfbook install-service: {error}", file=sys.stderr)
        return codes.MISUSED
    config, stores = args.config.resolve(), settings.stores.folder.resolve()
    text = unit(Service(settings.site.title, _program(), config, stores, args.user, args.memory))
    secrets = [settings.broker.password_file, settings.broker.ca_file]
    if isinstance(settings.stores.trace, InfluxPlace):
        secrets.append(settings.stores.trace.token_file)
    if args.write is None:
        print(text, end="")
        return codes.DONE
    try:
        args.write.write_text(text, "utf-8")
    except OSError as error:
        print(f"kerfbook install-service: {args.write}: {error.strerror}", file=sys.stderr)
        return codes.FLAWED
    user = args.user
    print(f"wrote {args.write}. Then, as root:")
    print(f"  useradd --system --no-create-home --shell /usr/sbin/nologin {user}     (once)")
    print(f"  mkdir -p {stores} && chown -R {user}: {stores}")
    for path in (config, *filter(None, secrets)):
        print(f"  chgrp {user} {path} && chmod 640 {path}")
    print("  systemctl daemon-reload && systemctl enable --now kerfbook")
    print("  journalctl -u kerfbook     what it says; the code for the first owner, too")
    return codes.DONE


def _program() -> tuple[str, ...]:
    """How this program was started: its script, or this Python."""
    script = shutil.which(sys.argv[0]) if Path(sys.argv[0]).name == "kerfbook" else None
    beside = Path(sys.executable).with_name("kerfbook")
    if script is None and os.access(beside, os.X_OK):
        script = str(beside)
    if script is not None:
        return (str(Path(script).absolute()),)
    return (sys.executable, "-P", "-c", "from dashboard.cli import main; raise SystemExit(main())")
