"""Options that many commands have."""

from __future__ import annotations

import argparse
from pathlib import Path

from api.tongues.say import gettext
from dashboard.config.kinds import UnfitError, name


def add_config(parser: argparse.ArgumentParser) -> None:
    """``--config``, by default ``kerfbook.toml`` in this folder."""
    usual = Path("kerfbook.toml")
    parser.add_argument(
        "--config", type=Path, default=usual, metavar="TOML", help=gettext("default: {path}", path=usual)
    )


def saw_name(text: str) -> str:
    """A name for topics and addresses, as an argument.

    Raises:
        argparse.ArgumentTypeError: it is none; says what is wanted.
    """
    try:
        return name.read(text)
    except UnfitError as why:
        told = gettext("{found} is not {expected}.", found=repr(text), expected=name.expected)
        raise argparse.ArgumentTypeError(f"{told} {why}".strip()) from why


def unfit(said: str, text: str) -> argparse.ArgumentTypeError:
    """What is wrong with an argument, which stands at ``{found}``."""
    return argparse.ArgumentTypeError(gettext(said, found=repr(text)))
