"""Options that many commands have."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from api.tongues.say import gettext

if TYPE_CHECKING:
    import argparse


def add_config(parser: argparse.ArgumentParser) -> None:
    """``--config``, by default ``kerfbook.toml`` in this folder."""
    usual = Path("kerfbook.toml")
    parser.add_argument(
        "--config", type=Path, default=usual, metavar="TOML", help=gettext("default: {path}", path=usual)
    )
