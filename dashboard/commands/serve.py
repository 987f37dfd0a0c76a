"""``kerfbook serve``: the screens of a workshop in a process of their own."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from api.tongues.say import gettext, later, reason
from dashboard.commands import codes
from dashboard.commands.options import add_config
from dashboard.commands.run import work
from dashboard.config import ConfigError, load

if TYPE_CHECKING:
    import argparse

HELP = later("show the screens without collecting, beside `kerfbook collect`")
MORE = later("""
The screens and the API of `kerfbook run` in a process of its own, as many as you like; what a
collector commits is on them within a second. The rules and messages run here, too, in one of
several processes at a time.

Exit code: 0 stopped, 1 a store or an address could not be opened, 2 no configuration or a
wrong one.
""")


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    add_config(parser)
    parser.add_argument(
        "--no-alerts", action="store_true", help=gettext("let another process look for alerts: `kerfbook alerts`")
    )


def run(args: argparse.Namespace) -> int:
    """Show until stopped."""
    try:
        settings = load(args.config)
    except (ConfigError, OSError) as error:
        print("kerfbook serve:", reason(error), file=sys.stderr)
        return codes.MISUSED
    return work("serve", settings, collects=False, watch=not args.no_alerts)
