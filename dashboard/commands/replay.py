"""``kerfbook replay``: recorded packs → facts on stdout."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from collector.detect.detector import derive
from collector.detect.settings import DetectSettings
from collector.facts import as_record
from collector.signals import Trace, merge
from collector.wire.pack import read_pack
from collector.wire.refusal import Refusal
from dashboard.commands import codes
from dashboard.config import load
from dashboard.config.kinds import UnfitError, name

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

HELP = "read recorded packs of one saw and print the facts"
MORE = """
Reads SenML packs (RFC 8428, JSON, absolute times), one a line, in any order, and writes one
JSON object a line in order of start: runs, cuts, door visits, conflicts and gaps. The same
packs give the same facts as the running collector finds.

A line that cannot be read is left out and named on stderr with its number. Exit code: 0 all
lines were read, 1 some were not, 2 wrong arguments or no such file.

example: kerfbook replay heron.jsonl --saw heron > facts.jsonl
"""
_BATCH = 512
"""Packs united at a time: memory stays small, and each reading is copied only a few times."""


def add(parser: argparse.ArgumentParser) -> None:
    """Describe the arguments."""
    parser.add_argument("file", metavar="FILE", help="file with one pack a line; - reads stdin")
    parser.add_argument(
        "--saw", required=True, type=_name, metavar="NAME", help="name of the saw that the facts are about"
    )
    parser.add_argument(
        "--config", type=Path, metavar="TOML", help="take the [detection] settings of this kerfbook.toml"
    )


def _name(text: str) -> str:
    try:
        return name.read(text)
    except UnfitError as unfit:
        raise argparse.ArgumentTypeError(f"{text!r} is not {name.expected}. {unfit}") from unfit


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
    refused: list[int] = []
    trace = _united(_packs(lines, refused))
    for fact in derive(saw, trace, settings):
        out.write(json.dumps(as_record(fact)) + "\n")
    return codes.FLAWED if refused else codes.DONE


def _packs(lines: Iterable[bytes], refused: list[int]) -> Iterator[Trace]:
    """The readings of every line that can be read; numbers of the others go to ``refused``."""
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            yield read_pack(line.strip(), None).trace
        except Refusal as refusal:
            refused.append(number)
            print(f"line {number}: {refusal.code}: {refusal.reason}", file=sys.stderr)


def _united(packs: Iterator[Trace]) -> Trace:
    parts: list[Trace] = []
    batch: list[Trace] = []
    for pack in packs:
        batch.append(pack)
        if len(batch) == _BATCH:
            parts.append(merge(batch))
            batch.clear()
    return merge([*parts, *batch])
