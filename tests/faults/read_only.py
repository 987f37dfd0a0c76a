"""A disk that becomes read-only under a running process, and writable again, as after a fault that it was mended of.

The process's calls that would change something in a folder are answered with EROFS, also on files that it has open, and
`statvfs` says so. (Mounting cannot do it: a disk with a file open for writing is not remounted, and an ext4 that turned
read-only by itself, tried with its ``trigger_fs_error`` on Linux 6.18, stays so until it is mounted anew.)
"""

from __future__ import annotations

import subprocess
from contextlib import contextmanager
from typing import TYPE_CHECKING

from tests.conftest import need

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_SHIM = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

static volatile char *on;
static const char *folder;

__attribute__((constructor)) static void begin(void) {
    int file = open(getenv("READ_ONLY_SWITCH"), O_RDONLY);
    if (file < 0) abort();
    folder = getenv("READ_ONLY_FOLDER");
    char *at = mmap(NULL, 1, PROT_READ, MAP_SHARED, file, 0);
    if (at == MAP_FAILED) abort();
    close(file);
    on = at;
}

static int there(const char *path) { return on && *on && !strncmp(path, folder, strlen(folder)); }

static int open_there(int file) {
    char name[40], path[PATH_MAX];
    if (!on || !*on) return 0;
    snprintf(name, sizeof name, "/proc/self/fd/%d", file);
    ssize_t size = readlink(name, path, sizeof path - 1);
    if (size < 0) return 0;
    path[size] = 0;
    return there(path);
}

#define NEXT(name) ((typeof(&name))dlsym(RTLD_NEXT, #name))
#define REFUSE_IF(harm) if (harm) { errno = EROFS; return -1; }

#define OPEN(name) int name(const char *path, int flags, ...) { \
    va_list more; va_start(more, flags); mode_t mode = flags & O_CREAT ? va_arg(more, mode_t) : 0; va_end(more); \
    REFUSE_IF((flags & (O_WRONLY | O_RDWR)) && there(path)) \
    return NEXT(name)(path, flags, mode); }
OPEN(open)
OPEN(open64)

#define WRITE(name, kind) ssize_t name(int file, const void *data, size_t size, kind at) { \
    REFUSE_IF(open_there(file)) return NEXT(name)(file, data, size, at); }
WRITE(pwrite, off_t)
WRITE(pwrite64, off64_t)
ssize_t write(int file, const void *data, size_t size) {
    REFUSE_IF(open_there(file)) return NEXT(write)(file, data, size); }

int ftruncate(int file, off_t size) { REFUSE_IF(open_there(file)) return NEXT(ftruncate)(file, size); }
int ftruncate64(int file, off64_t size) { REFUSE_IF(open_there(file)) return NEXT(ftruncate64)(file, size); }
int unlink(const char *path) { REFUSE_IF(there(path)) return NEXT(unlink)(path); }
int mkdir(const char *path, mode_t mode) { REFUSE_IF(there(path)) return NEXT(mkdir)(path, mode); }
int rename(const char *from, const char *to) { REFUSE_IF(there(to)) return NEXT(rename)(from, to); }

int statvfs(const char *path, struct statvfs *found) {
    int answer = NEXT(statvfs)(path, found);
    if (!answer && there(path)) found->f_flag |= ST_RDONLY;
    return answer;
}
int statvfs64(const char *path, struct statvfs64 *found) {
    int answer = NEXT(statvfs64)(path, found);
    if (!answer && there(path)) found->f_flag |= ST_RDONLY;
    return answer;
}
"""


class Disk:
    """The disk of everything in a folder, for the processes that are started with ``env``."""

    def __init__(self, build: Path, folder: Path) -> None:
        source, library = build / "disk.c", build / "disk.so"
        source.write_text(_SHIM)
        subprocess.run([need("gcc"), "-O1", "-shared", "-fPIC", "-o", library, source, "-ldl"], check=True)
        self._switch = build / "disk.switch"
        self._switch.write_bytes(b"\0")
        self.env = {
            "LD_PRELOAD": str(library),
            "READ_ONLY_SWITCH": str(self._switch),
            "READ_ONLY_FOLDER": str(folder.resolve()),
        }

    @contextmanager
    def read_only(self) -> Iterator[None]:
        """Nothing of the folder can be changed."""
        self._set(b"\1")
        try:
            yield
        finally:
            self._set(b"\0")

    def _set(self, value: bytes) -> None:
        with self._switch.open("r+b", buffering=0) as file:
            file.write(value)
