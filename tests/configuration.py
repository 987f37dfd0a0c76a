"""A kerfbook.toml with one saw, for tests that want to say no more of it than where its stores are."""

from __future__ import annotations


def one_saw(stores: str, more: str = "") -> str:
    """Its text, with these lines under ``[stores]`` and further tables behind it."""
    site = '[site]\nname = "tern-point"\ntitle = "Tern Point Stageworks"\nzone = "Europe/Lisbon"\n'
    return f'{site}[[saws]]\nname = "heron"\ntitle = "Heron"\n[stores]\n{stores}\n{more}'
