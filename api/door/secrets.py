"""Passwords, PINs, codes and tokens: how they are made, kept and checked.

Passwords and PINs are kept as salted scrypt hashes (RFC 7914) with N = 2^14, r = 8, p = 5: 16 MiB a try, one of the
settings that OWASP's Password Storage Cheat Sheet holds equal. It is in Python's standard library and so runs on every
Raspberry Pi without a compiler; Argon2 would be one more binary for no more strength at equal memory.
"""

from __future__ import annotations

import hashlib
import itertools
import secrets
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING

from werkzeug.security import check_password_hash, generate_password_hash

from api.tongues.say import gettext

if TYPE_CHECKING:
    from collections.abc import Iterator

METHOD = "scrypt:16384:8:5"
SHORTEST_PASSWORD = 8
LONGEST_PASSWORD = 128
SHORTEST_PIN = 4
LONGEST_PIN = 8
_LETTERS = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"  # none that look alike: 5 bits each
_ONE_AT_A_TIME = threading.Lock()
LONGEST_WAIT = 5.0  # s
_NOBODYS = "scrypt:16384:8:5$aaaaaaaaaaaaaaaa$" + "0" * 128


class BusyError(Exception):
    """Too many passwords are being checked at once."""


class WeakError(ValueError):
    """A password or PIN that others would guess; the text says why."""


@contextmanager
def _turn() -> Iterator[None]:
    """One at a time, for many would fill a small machine's memory; waiting ends, for each holds a thread."""
    if not _ONE_AT_A_TIME.acquire(timeout=LONGEST_WAIT):
        raise BusyError
    try:
        yield
    finally:
        _ONE_AT_A_TIME.release()


def hashed(secret: str) -> str:
    """The salted hash of a password or PIN.

    Raises:
        BusyError: others wait for theirs.
    """
    with _turn():
        return generate_password_hash(secret, METHOD, salt_length=16)


def right(kept: str | None, given: str) -> bool:
    """Whether that is the secret; takes as long where there is none, so that time tells nothing.

    Raises:
        BusyError: others wait for theirs.
    """
    with _turn():
        same = check_password_hash(kept or _NOBODYS, given)
    return same and kept is not None


def check_password(password: str, name: str) -> None:
    """Whether a password will do: NIST SP 800-63B-4, length and a list of common ones, no rules of composition.

    Raises:
        WeakError: it will not.
    """
    if len(password) < SHORTEST_PASSWORD:
        raise WeakError(
            gettext("a password has at least {n} characters; three or four words are good", n=SHORTEST_PASSWORD)
        )
    if len(password) > LONGEST_PASSWORD:
        raise WeakError(gettext("a password has at most {n} characters", n=LONGEST_PASSWORD))
    folded = password.casefold()
    if "kerfbook" in folded or (len(name) > 3 and name.casefold() in folded):
        raise WeakError(gettext("a password with the name of its person or of this program is guessed first"))
    if folded in _common() or len(set(folded)) < 4:
        raise WeakError(gettext("that is among the passwords that are tried first; three or four words are good"))


def check_pin(pin: str) -> None:
    """Whether a PIN will do.

    Raises:
        WeakError: it will not.
    """
    if not (pin.isascii() and pin.isdigit() and SHORTEST_PIN <= len(pin) <= LONGEST_PIN):
        raise WeakError(gettext("a PIN has {least} to {most} digits", least=SHORTEST_PIN, most=LONGEST_PIN))
    steps = {(int(b) - int(a)) % 10 for a, b in itertools.pairwise(pin)}
    if len(steps) == 1 or pin in {"1212", "6969", "2580", "1122", "1313", "2001", "1004"}:
        raise WeakError(gettext("that PIN is among those tried first: no rows, no repeated digit"))


def token() -> str:
    """A secret of 256 random bits."""
    return secrets.token_urlsafe(32)


def code() -> str:
    """A one-time code that people type: 60 random bits, in three groups."""
    letters = "".join(secrets.choice(_LETTERS) for _ in range(12))
    return "-".join(letters[i : i + 4] for i in range(0, 12, 4))


def digest(secret: str) -> str:
    """What the book keeps of a random secret: enough to know it again, useless to whoever reads it."""
    return hashlib.sha256(secret.encode()).hexdigest()


def code_digest(typed: str) -> str:
    """The same of a code as people type it: case and dashes do not matter."""
    return digest("".join(c for c in typed.upper() if c.isalnum()))


def _common() -> frozenset[str]:
    """The passwords that are tried first, of at least the shortest length that is allowed."""
    # Loaded when a password is set: 2 MB that a running collector does not need.
    from zxcvbn.frequency_lists import FREQUENCY_LISTS  # noqa: PLC0415

    return frozenset(w for w in FREQUENCY_LISTS["passwords"] if len(w) >= SHORTEST_PASSWORD)
