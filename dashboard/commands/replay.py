"""``kerfbook replay``: recorded packs → facts on stdout."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from api.tongues.say import gettext, later
from collector.detect.settings import DetectSettings
from collector.replay import replay
from dashboard.commands import codes
from dashboard.commands.options import saw_name
from dashboard.config import load

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterable

    from collector.wire.refusal import Refusal

HELP = later("read recorded packs of one saw and print the facts")
MORE = later("""
Reads SenML packs (RFC 8428, JSON, absolute times), one a line, in any order, and writes one
JSON object a line in order of start: runs, cuts, door visits, conflicts and gaps. The same
packs give the same facts as the running collector finds.

A line that cannot be read is left out and named on stderr with its number. Exit code: 0 all
lines were read, 1 some were not, 2 wrong arguments or no such file.

example: kerfbook replay heron.jsonl --saw heron > facts.jsonl
""")


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    parser.add_argument("file", metavar="FILE", help=gettext("file with one pack a line; - reads stdin"))
    parser.add_argument(
        "--saw", required=True, type=saw_name, metavar="NAME", help=gettext("name of the saw that the facts are about")
    )
    parser.add_argument(
        "--config", type=Path, metavar="TOML", help=gettext("take the [detection] settings of this kerfbook.toml")
    )


def run(args: argparse.Namespace) -> int:
    """Replay."""
    settings = load(args.config).detection if args.config else DetectSettings()
    if args.file == "-":
        return _replay(sys.stdin.buffer, args.saw, settings, sys.stdout)
    try:
        lines = Path(args.file).open("rb")  # noqa: SIM115 - closed below; only its opening may fail as "no such file"
    except OSError as error:
        print(f"kerfbook replay: {args.file}: {error.strerror}", file=sys.stderr)
        return codes.MISUSED
    with lines:
        return _replay(lines, args.saw, settings, sys.stdout)


def _replay(lines: Iterable[bytes], saw: str, settings: DetectSettings, out: TextIO) -> int:
    refused = 0

    def tell(number: int, refusal: Refusal) -> None:
        nonlocal refused
        refused += 1
        told = gettext("line {n}: {code}: {reason}", n=number, code=refusal.code, reason=refusal)
        print(told, file=sys.stderr)

    for record in replay(lines, saw, settings, tell):
        out.write(json.dumps(record, separators=(",", ":")) + "\n")
    return codes.FLAWED if refused else codes.DONE
