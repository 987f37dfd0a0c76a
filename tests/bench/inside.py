"""`kerfbook` with somebody inside who tells, when asked at a socket, what holds its memory.

    KERFBOOK_INSIDE=/tmp/inside.sock python -m tests.bench.inside run --config kerfbook.toml

With ``KERFBOOK_TRACED=1`` Python's blocks are traced, which costs memory and half the speed: what is resident is then
no figure, what is alive is one.
"""

from __future__ import annotations

import ctypes
import gc
import json
import os
import re
import socket
import sys
import tempfile
import threading
import tracemalloc
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import Any

TRACED = os.environ.get("KERFBOOK_TRACED") == "1"
DEPTH = int(os.environ.get("KERFBOOK_TRACED_DEPTH", "1"))


class _Heap(ctypes.Structure):
    """`struct mallinfo2` of malloc.h, the sum of all heaps of the process."""

    _fields_ = [
        (name, ctypes.c_size_t)
        for name in [
            "arena",
            "ordblks",
            "smblks",
            "hblks",
            "hblkhd",
            "usmblks",
            "fsmblks",
            "uordblks",
            "fordblks",
            "keepcost",
        ]
    ]


def heap() -> dict[str, int]:
    """Bytes of C's allocator: in use, free and still held, and in pieces of their own."""
    if not hasattr(ctypes.CDLL(None), "mallinfo2"):
        return {}
    ask = ctypes.CDLL(None).mallinfo2
    ask.restype = _Heap
    said = ask()
    return {"used": said.uordblks, "free": said.fordblks, "mapped": said.hblkhd}


def sqlite() -> int:
    """Bytes that all connections of SQLite hold."""
    library = ctypes.CDLL("libsqlite3.so.0")
    library.sqlite3_memory_used.restype = ctypes.c_int64
    return int(library.sqlite3_memory_used())


def arenas() -> tuple[int, int]:
    """Bytes of the arenas of Python's allocator, and of the blocks in them that are in use."""
    kept = os.dup(2)
    with tempfile.TemporaryFile() as file:
        os.dup2(file.fileno(), 2)
        try:
            sys._debugmallocstats()
        finally:
            os.dup2(kept, 2)
            os.close(kept)
        file.seek(0)
        text = file.read().decode()
    held = re.search(r"(\d+) arenas \* (\d+) bytes/arena", text)
    blocks = re.search(r"# bytes in allocated blocks\s*=\s*([\d,]+)", text)
    if held is None or blocks is None:  # it says nothing while blocks are traced
        return 0, 0
    return int(held[1]) * int(held[2]), int(blocks[1].replace(",", ""))


class Teller:
    """Answers at a socket: one question a connection, one line of JSON back."""

    def __init__(self, path: Path) -> None:
        self._last: tracemalloc.Snapshot | None = None
        self._door = socket.socket(socket.AF_UNIX)
        self._door.bind(str(path))
        self._door.listen()
        threading.Thread(target=self._run, name="inside", daemon=True).start()

    def _run(self) -> None:
        while True:
            asker, _ = self._door.accept()
            with closing(asker), asker.makefile("w") as out:
                json.dump(self._tell(), out)

    def _tell(self) -> dict[str, Any]:
        for _ in range(3):
            gc.collect()
        alive = gc.get_objects()
        kinds = Counter(type(one).__qualname__ for one in alive)
        out: dict[str, Any] = {
            "objects": len(alive),
            "kinds": dict(kinds.most_common(400)),
            "heap": heap(),
            "sqlite": sqlite(),
            "arenas": arenas(),
            "threads": threading.active_count(),
        }
        del alive
        if TRACED:
            out["traced"], out["grown"] = self._traced()
        return out

    def _traced(self) -> tuple[int, list[str]]:
        """Bytes that are alive, and which lines hold more of them than when last asked."""
        now = tracemalloc.take_snapshot().filter_traces(
            [tracemalloc.Filter(False, tracemalloc.__file__), tracemalloc.Filter(False, __file__)]
        )
        by = "traceback" if DEPTH > 1 else "lineno"
        grown = now.compare_to(self._last, by) if self._last else []
        self._last = now
        lines = [
            f"{one.size_diff:+10d} {one.count_diff:+7d}  " + " < ".join(str(f) for f in reversed(one.traceback))
            for one in grown[:40]
        ]
        return sum(trace.size for trace in now.traces), lines


def ask(path: Path) -> dict[str, Any]:
    """What the one inside tells, as `Teller` says it."""
    with closing(socket.socket(socket.AF_UNIX)) as line:
        line.connect(str(path))
        with line.makefile() as answer:
            told: dict[str, Any] = json.load(answer)
            return told


def main() -> int:
    """Run the command with somebody inside."""
    if TRACED:
        tracemalloc.start(DEPTH)
    from dashboard.cli import main as kerfbook  # noqa: PLC0415 (after tracing began)

    Teller(Path(os.environ["KERFBOOK_INSIDE"]))
    return kerfbook()


if __name__ == "__main__":
    sys.exit(main())
