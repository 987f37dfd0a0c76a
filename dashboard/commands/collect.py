"""``kerfbook collect``: the collector of a workshop in a process of its own."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from api.tongues.say import later, reason
from dashboard.commands import codes
from dashboard.commands.options import add_config
from dashboard.commands.run import work
from dashboard.config import ConfigError, load

if TYPE_CHECKING:
    import argparse

HELP = later("collect from your saws without showing anything, beside `kerfbook serve`")
MORE = later("""
The collector of `kerfbook run` in a process of its own, and the screens in another: both meet in
the stores of the same kerfbook.toml. Several of these share the work of many saws where the
stores are servers; each needs its own client_id and, in [broker], a part of the saws or a shared
subscription. A second one with the same client_id waits, and follows when the first is gone.

Exit code: 0 stopped, 1 a store could not be opened, 2 no configuration or a wrong one.
""")


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    add_config(parser)


def run(args: argparse.Namespace) -> int:
    """Collect until stopped."""
    try:
        settings = load(args.config)
    except (ConfigError, OSError) as error:
        print("kerfbook collect:", reason(error), file=sys.stderr)
        return codes.MISUSED
    return work("collect", settings, collects=True, shows=False, watch=False)
