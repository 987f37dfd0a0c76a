"""Disks to be filled and taken away: a small one in memory, where mounting is allowed."""

from __future__ import annotations

import os
import resource
import subprocess
from contextlib import contextmanager
from typing import TYPE_CHECKING

import psutil

from tests.conftest import missing

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@contextmanager
def small_disk(folder: Path, megabytes: int) -> Iterator[Path]:
    """A disk of so many megabytes at ``folder``."""
    folder.mkdir(exist_ok=True)
    _mount("-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(folder))
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


@contextmanager
def read_only(folder: Path) -> Iterator[None]:
    """The folder, in which nothing can be written, nor opened to be."""
    _mount("--bind", str(folder), str(folder))
    try:
        subprocess.run(["mount", "-o", "remount,bind,ro", folder], check=True)
        yield
    finally:
        subprocess.run(["umount", "-l", folder], check=True)


@contextmanager
def no_room(pid: int) -> Iterator[None]:
    """No file of the process can grow or be written beyond its first bytes: a disk that takes nothing any more."""
    process = psutil.Process(pid)
    before = process.rlimit(resource.RLIMIT_FSIZE)
    process.rlimit(resource.RLIMIT_FSIZE, (1, before[1]))
    try:
        yield
    finally:
        process.rlimit(resource.RLIMIT_FSIZE, before)


def fill(folder: Path) -> Path:
    """The last free byte of the folder's disk is taken by the file returned."""
    ballast = folder / "ballast"
    with ballast.open("wb", buffering=0) as file:
        for size in (1 << 20, 4096, 1):
            try:
                while True:
                    file.write(b"x" * size)
            except OSError:
                continue
    return ballast


def _mount(*arguments: str) -> None:
    done = subprocess.run(["mount", *arguments], capture_output=True, text=True, check=False)
    if done.returncode:
        missing(f"mounting is not allowed here (uid {os.geteuid()}): {done.stderr.strip()}")
