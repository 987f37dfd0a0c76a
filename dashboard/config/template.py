"""A commented ``kerfbook.toml`` to begin with."""

from __future__ import annotations

from pathlib import Path


def template() -> str:
    """The text of the example, which is a valid configuration as it stands."""
    return (Path(__file__).parent / "kerfbook.toml").read_text("utf-8")
