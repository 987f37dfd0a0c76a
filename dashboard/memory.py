"""The allocator's habits, for a process of many threads that stays for months.

The allocator of GNU/Linux gives threads heaps of their own, up to eight a core, and what one thread freed another does
not find; and once a large block was freed, it takes later ones from those heaps, where they leave holes. One heap for
all threads, and large blocks straight from the system, to which they go back at once, kept `kerfbook run` with one saw
6.6 MB smaller on the first evening (113.4 against 120.0, one run each). Elsewhere nothing of this is done.
"""

from __future__ import annotations

import ctypes
import gc
import sys

_HEAPS = 1  # Python's own lock lets one thread at a time allocate most of what there is
_LARGE = 128 << 10  # where the allocator begins, before it raises this by itself

_MANY = 500  # saws
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8  # malloc.h


def share_heap() -> None:
    """Lets all threads share one heap; to be called before there are threads."""
    if sys.platform != "linux":
        return
    allocator = ctypes.CDLL(None)
    if hasattr(allocator, "mallopt"):
        allocator.mallopt(_M_ARENA_MAX, _HEAPS)
        allocator.mallopt(_M_MMAP_THRESHOLD, _LARGE)
        allocator.mallopt(_M_TRIM_THRESHOLD, _LARGE)


def collect_seldom(saws: int) -> None:
    """Lets Python look for garbage in cycles less often, where the detectors of many saws are looked through each time.

    With 5 000 saws each full look took 0.1 to 0.25 s, and it came once a second of their messages.
    """
    if saws >= _MANY:
        gc.set_threshold(10_000, 20, 20)
