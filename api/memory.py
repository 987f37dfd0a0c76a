"""Answers that are held in memory as long as what they were made from stays the same, up to so many bytes."""

from __future__ import annotations

import dataclasses
import sys
import threading
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")


class _Held(NamedTuple):
    state: object
    answer: Any
    size: int


class Memory:
    """Answers, each with the state that it was made from; those that were not asked for longest leave.

    Args:
        most: bytes that they may take together, as `size_of` finds them.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._size = 0
        self._held: dict[tuple[object, ...], _Held] = {}
        self._lock = threading.Lock()

    @property
    def size(self) -> int:
        """Bytes of all that is held."""
        return self._size

    def of(self, key: tuple[object, ...], state: object, make: Callable[[], T]) -> T:
        """The answer to a question if it was made from this state, or a new one, which takes its place."""
        with self._lock:
            held = self._held.pop(key, None)
            if held is not None:
                self._held[key] = held
                if held.state == state:
                    found: T = held.answer
                    return found
        made = make()
        size = size_of(key) + size_of(made)
        with self._lock:
            self._drop(key)
            self._held[key] = _Held(state, made, size)
            self._size += size
            while self._size > self._most:
                self._drop(next(iter(self._held)))
        return made

    def clear(self) -> None:
        """Forgets everything."""
        with self._lock:
            self._held.clear()
            self._size = 0

    def _drop(self, key: tuple[object, ...]) -> None:
        held = self._held.pop(key, None)
        if held is not None:
            self._size -= held.size


def size_of(thing: object) -> int:
    """Bytes that a value of arrays, dataclasses and containers takes, about; what is shared counts each time."""
    if isinstance(thing, np.ndarray):
        whole = thing if thing.base is None else thing.base  # a view keeps all that it is a part of
        return sys.getsizeof(thing) + (0 if whole is thing else sys.getsizeof(whole))
    if isinstance(thing, (list, tuple, set, frozenset)):
        return sys.getsizeof(thing) + sum(map(size_of, thing))
    if isinstance(thing, dict):
        return sys.getsizeof(thing) + sum(size_of(k) + size_of(v) for k, v in thing.items())
    if dataclasses.is_dataclass(thing):
        return sys.getsizeof(thing) + sum(size_of(getattr(thing, f.name)) for f in dataclasses.fields(thing))
    return sys.getsizeof(thing)
