"""The archive: a ZIP file (PKWARE APPNOTE) of SQLite files and a manifest, so that any tool opens it.

It is made under another name, synced to the disk, and given its own name last: what bears the name is whole.
"""

from __future__ import annotations

import os
import shutil
import zipfile
import zlib
from contextlib import contextmanager
from hashlib import sha256
from typing import TYPE_CHECKING, Final

from collector.backup.manifest import MANIFEST, TRACE, BackupError, Manifest, Member
from collector.words import later

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_CHUNK: Final = 1 << 20
_PRIVATE: Final = 0o600  # settings and the book hold what is nobody else's business


def member(file: Path) -> Member:
    """Size and checksum of a file."""
    digest = sha256()
    with file.open("rb") as opened:
        while chunk := opened.read(_CHUNK):
            digest.update(chunk)
    return Member(file.stat().st_size, digest.hexdigest())


def write_archive(target: Path, manifest: Manifest, files: dict[str, Path], work: Path) -> None:
    """Put files into an archive; each is deleted when it is in, for the disk may be small.

    Args:
        target: the archive's name, which must be free.
        manifest: of the files.
        files: by their names in the archive.
        work: a folder on the same disk.

    Raises:
        OSError: the disk is full or cannot be written.
    """
    part = work / "archive"
    with part.open("xb") as opened:
        part.chmod(_PRIVATE)
        with zipfile.ZipFile(opened, "w", allowZip64=True) as archive:
            archive.writestr(MANIFEST, manifest.to_json(), zipfile.ZIP_DEFLATED)
            for name, file in files.items():
                # The trace is packed already.
                how = zipfile.ZIP_STORED if name == TRACE else zipfile.ZIP_DEFLATED
                archive.write(file, name, how, compresslevel=1)
                file.unlink()
        opened.flush()
        os.fsync(opened.fileno())
    part.rename(target)
    sync_folder(target.parent)


def sync_folder(folder: Path) -> None:
    """Puts new names in a folder on the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextmanager
def opened(path: Path) -> Iterator[tuple[zipfile.ZipFile, Manifest]]:
    """An archive and its manifest.

    Raises:
        BackupError: it is none of ours, or not whole.
        OSError: it cannot be read.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            manifest = Manifest.from_json(archive.read(MANIFEST))
            missing = set(manifest.members) - set(archive.namelist())
            if missing:
                raise BackupError(
                    later("{path}: {names} is missing in it; take another backup"),
                    path=path,
                    names=", ".join(sorted(missing)),
                )
            yield archive, manifest
    except (zipfile.BadZipFile, KeyError, zlib.error) as error:
        raise BackupError(
            later("{path} is no whole backup ({error}); take another one"), path=path, error=error
        ) from error


def check(path: Path) -> Manifest:
    """Reads an archive to its end and compares every checksum.

    Raises:
        BackupError: it is none of ours, or a checksum differs.
        OSError: it cannot be read.
    """
    with opened(path) as (archive, manifest):
        for name, wanted in manifest.members.items():
            digest, size = sha256(), 0
            with archive.open(name) as source:
                while chunk := source.read(_CHUNK):
                    digest.update(chunk)
                    size += len(chunk)
            if Member(size, digest.hexdigest()) != wanted:
                raise BackupError(
                    later("{path}: {name} in it is damaged: its checksum differs; take another backup"),
                    path=path,
                    name=name,
                )
        return manifest


def extract(path: Path, name: str, to: Path) -> None:
    """Writes one file of an archive, synced to the disk.

    Raises:
        BackupError: the archive is none of ours, or not whole.
        OSError: the disk is full or cannot be written.
    """
    with opened(path) as (archive, manifest), archive.open(name) as source, to.open("xb") as target:
        to.chmod(_PRIVATE)
        shutil.copyfileobj(source, target, _CHUNK)
        target.flush()
        os.fsync(target.fileno())
    if member(to) != manifest.members[name]:
        raise BackupError(later("{path} was not written as it stands in the backup; check the disk"), path=to)
