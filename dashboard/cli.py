"""The ``kerfbook`` command."""

from __future__ import annotations

import argparse
import os
import sys
from importlib import import_module, metadata
from typing import TYPE_CHECKING

from api.tongues import say
from api.tongues.manner import of_terminal
from api.tongues.say import later
from dashboard import logs
from dashboard.commands import codes

if TYPE_CHECKING:
    from collections.abc import Sequence

COMMANDS = (
    *("demo", "run", "collect", "serve", "alerts"),
    *("simulate", "replay", "derive", "calibrate", "copy", "backup", "restore", "doctor"),
    *("people", "broker-config", "schema", "install-service"),
)
"""Each is a module of `dashboard.commands`."""

_ABOUT = later("""
Kerfbook is a logbook that a vertical panel saw keeps by itself. A sensor box on the saw
reports motor current, beam lock and blade door over MQTT; Kerfbook makes facts of them
(runs, cuts, door visits, gaps) and shows how the saws are used.

Begin with `kerfbook demo`. It informs, it protects nobody: it is no safety device.
""")


_ARGPARSES_OWN = (
    *(later("usage: "), later("positional arguments"), later("options")),
    *(later("%(prog)s: error: %(message)s\n"), later("argument %(argument_name)s: %(message)s")),
    *(later("the following arguments are required: %s"), later("unrecognized arguments: %s")),
    *(later("expected one argument"), later("expected at most one argument"), later("not allowed with argument %s")),
    *(later("invalid choice: %(value)r (choose from %(choices)s)"), later("invalid %(type)s value: %(value)r")),
    *(later("ambiguous option: %(option)s could match %(matches)s"), later("ignored explicit argument %r")),
    later("expected %s arguments"),
)
"""What it says of arguments, word for word."""
# It asks the standard gettext, which reads compiled catalogues only; these names in it are where it does.
for _name, _asked in (("_", say.gettext), ("ngettext", lambda _one, many, _n: say.gettext(many))):
    setattr(argparse, _name, _asked)


def parser(names: Sequence[str] = COMMANDS) -> argparse.ArgumentParser:
    """The command line, with these commands."""
    top = argparse.ArgumentParser(
        "kerfbook",
        description=say.gettext(_ABOUT),
        formatter_class=argparse.RawDescriptionHelpFormatter,
        add_help=False,
    )
    _add_help(top)
    version = f"kerfbook {metadata.version('kerfbook')}"
    top.add_argument("--version", action="version", version=version, help=say.gettext("show the version and exit"))
    commands = top.add_subparsers(metavar="COMMAND", required=True)
    for name in names:
        command = import_module(f"dashboard.commands.{name.replace('-', '_')}")
        about = say.gettext(command.HELP)
        below = commands.add_parser(
            name,
            help=about,
            description=f"{about}\n{say.gettext(command.MORE)}",
            formatter_class=argparse.RawDescriptionHelpFormatter,
            add_help=False,
        )
        _add_help(below)
        command.add(below)
        below.set_defaults(run=command.run)
    return top


def _add_help(to: argparse.ArgumentParser) -> None:
    to.add_argument("-h", "--help", action="help", help=say.gettext("show this help and exit"))


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code (`dashboard.commands.codes`).

    Raises:
        SystemExit: argparse's own, with 0 after ``--help`` and 2 after wrong arguments.
    """
    say.speak(of_terminal(os.environ))
    try:
        logs.begin(os.environ)
    except ValueError as error:
        print(f"kerfbook: {error}", file=sys.stderr)
        return codes.MISUSED
    given = sys.argv[1:] if argv is None else list(argv)
    # Only what is asked for is loaded: `run` stays for months, and the demo's broker would take 13 MB of its memory.
    args = parser(given[:1] if given and given[0] in COMMANDS else COMMANDS).parse_args(given)
    try:
        return int(args.run(args))
    except BrokenPipeError:
        # Whoever read stdout, such as `head`, has seen enough.
        sys.stderr.close()
        return 0
