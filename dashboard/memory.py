"""Memory that a process of many threads needs no more, given back to the machine.

The allocator of GNU/Linux gives threads heaps of their own, up to eight a core, and what one thread freed another does
not find. After three days of fifty saws some 45 MB lay free in them, 2 to 5 MB more each day, while what Python held
stayed the same. Elsewhere nothing of this is done.
"""

from __future__ import annotations

import ctypes
import gc
import sys

_HEAPS = 2
_MANY = 500  # saws
_M_ARENA_MAX = -8  # malloc.h


def _allocator() -> ctypes.CDLL | None:
    if sys.platform != "linux":
        return None
    allocator = ctypes.CDLL(None)
    return allocator if hasattr(allocator, "mallopt") and hasattr(allocator, "malloc_trim") else None


def share_heaps() -> None:
    """Lets all threads share two heaps; to be called before there are threads."""
    if allocator := _allocator():
        allocator.mallopt(_M_ARENA_MAX, _HEAPS)


def give_back() -> None:
    """Gives free pages back to the machine."""
    if allocator := _allocator():
        allocator.malloc_trim(0)


def collect_seldom(saws: int) -> None:
    """Lets Python look for garbage in cycles less often, where the detectors of many saws are looked through each time.

    With 5 000 saws each full look took 0.1 to 0.25 s, and it came once a second of their messages.
    """
    if saws >= _MANY:
        gc.set_threshold(10_000, 20, 20)
