"""The clock of a real process, put forward and back by a test: the calls that ask the time of day are answered shifted.

(libfaketime 0.9.10 does not serve here: with the monotonic clock left alone, Python's own ``time.sleep`` fails under it.)
"""

from __future__ import annotations

import struct
import subprocess
import time
from typing import TYPE_CHECKING

from tests.conftest import need

if TYPE_CHECKING:
    from pathlib import Path

_SHIM = r"""
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/syscall.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

static volatile long long *by; /* microseconds */

__attribute__((constructor)) static void begin(void) {
    int file = open(getenv("SHIFTED_CLOCK"), O_RDONLY);
    if (file < 0) abort();
    by = mmap(NULL, sizeof *by, PROT_READ, MAP_SHARED, file, 0);
    if (by == MAP_FAILED) abort();
    close(file);
}

int clock_gettime(clockid_t which, struct timespec *at) {
    int answer = syscall(SYS_clock_gettime, which, at);
    if (!answer && by && (which == CLOCK_REALTIME || which == CLOCK_REALTIME_COARSE)) {
        long long ns = at->tv_nsec + *by % 1000000 * 1000 + 1000000000;
        at->tv_sec += *by / 1000000 + ns / 1000000000 - 1;
        at->tv_nsec = ns % 1000000000;
    }
    return answer;
}

time_t time(time_t *out) {
    struct timespec at;
    clock_gettime(CLOCK_REALTIME, &at);
    if (out) *out = at.tv_sec;
    return at.tv_sec;
}

int gettimeofday(struct timeval *restrict out, void *restrict zone) {
    struct timespec at;
    (void)zone;
    clock_gettime(CLOCK_REALTIME, &at);
    out->tv_sec = at.tv_sec;
    out->tv_usec = at.tv_nsec / 1000;
    return 0;
}
"""


class Clock:
    """The clock of the processes that are started with ``env``; their monotonic clock is the machine's."""

    def __init__(self, folder: Path) -> None:
        source, library = folder / "clock.c", folder / "clock.so"
        source.write_text(_SHIM)
        subprocess.run([need("gcc"), "-O1", "-shared", "-fPIC", "-o", library, source], check=True)
        self._file = folder / "clock.shift"
        self._file.write_bytes(struct.pack("@q", 0))
        self.env = {"LD_PRELOAD": str(library), "SHIFTED_CLOCK": str(self._file)}

    def shift(self, seconds: float) -> None:
        """From now on so many seconds ahead of the machine's."""
        with self._file.open("r+b", buffering=0) as file:
            file.write(struct.pack("@q", round(seconds * 1e6)))

    def put(self, at: float) -> None:
        """From now on it shows this time, seconds since 1970, and goes on from there."""
        self.shift(at - time.time())
