"""Catalogues: gettext's ``.po`` files, compiled in memory when a language is first wanted, so that nothing is built."""

from __future__ import annotations

import gettext
import io
import json
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po

if TYPE_CHECKING:
    from babel.messages.catalog import Catalog

SOURCE = "en"
"""The language that stands in the code."""
FOLDER = Path(__file__).resolve().parent.parent / "locale"
PARTS = ("kerfbook", "terminal")
"""Files of a language: what is shown, and what the command line alone says."""
_INSIDE = Path("LC_MESSAGES") / f"{PARTS[0]}.po"
_SCRIPTS = "/static/"


@lru_cache(maxsize=1)
def languages() -> tuple[str, ...]:
    """Codes of the languages there are, the source's first."""
    return (SOURCE, *sorted(path.parent.parent.name for path in FOLDER.glob(f"*/{_INSIDE}")))


@lru_cache(maxsize=16)
def _read(language: str) -> Catalog:
    return whole(FOLDER / language / _INSIDE.parent, language)


def whole(folder: Path, language: str) -> Catalog:
    """All parts in a folder as one catalogue; only the first must be there.

    Raises:
        OSError: it cannot be read.
    """
    first, *others = (folder / f"{part}.po" for part in PARTS)
    with first.open("rb") as file:
        catalogue = read_po(file, language)
    for path in others:
        if path.is_file():
            with path.open("rb") as file:
                for message in read_po(file, language):
                    if message.id:
                        catalogue[message.id] = message
    return catalogue


@lru_cache(maxsize=16)
def translations(language: str) -> gettext.NullTranslations:
    """The translations of a language; of the source and of unknown ones those that change nothing."""
    if language == SOURCE or language not in languages():
        return gettext.NullTranslations()
    compiled = io.BytesIO()
    write_mo(compiled, _read(language))
    compiled.seek(0)
    return gettext.GNUTranslations(compiled)


@lru_cache(maxsize=16)
def script(language: str) -> str:
    """The texts of the browser's scripts as a script that keeps them in ``KERFBOOK_WORDS``.

    A text with a plural is kept under its singular, as a list of both.
    """
    words: dict[str, str | list[str]] = {}
    if language != SOURCE and language in languages():
        for message in _read(language):
            if message.id and any(_SCRIPTS in name for name, _ in message.locations):
                several = isinstance(message.id, tuple)
                key = message.id[0] if several else message.id
                words[str(key)] = [str(s) for s in message.string or ()] if several else str(message.string)
    return f"globalThis.KERFBOOK_WORDS = {json.dumps(words, ensure_ascii=False, separators=(',', ':'))};\n"


def digest(language: str) -> str:
    """Changes with `script`: part of its address, so that browsers may keep it for good."""
    return sha256(script(language).encode()).hexdigest()[:12]
