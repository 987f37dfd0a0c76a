"""A real PostgreSQL of the tests' own: a throw-away cluster, and a database of its own for every test."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import create_engine, text

from collector.book import Book
from tests.conftest import free_port, missing

if TYPE_CHECKING:
    from collections.abc import Sequence

_OWNER = "kerfbook"


class Postgres:
    """A running cluster. Its server refuses to run as root, so it then runs as Debian's user ``postgres``.

    ``durable``: commits wait for the disk, as a benchmark wants it.
    """

    def __init__(self, *, durable: bool = False) -> None:
        self._programs = _programs()
        # Not pytest's folder: only root may enter that one. A socket's path must be short, too.
        self.folder = Path(tempfile.mkdtemp(prefix="kerfbook-pg-"))
        self.port = free_port()
        self._numbers = count(1)
        if os.geteuid() == 0:
            shutil.chown(self.folder, "postgres")
        self._run("initdb", "-D", self.folder / "data", "-U", _OWNER, "--auth=trust", "-E", "UTF8", "--no-sync")
        # What the tests put in it does not outlive them, so nothing waits for the disk.
        fsync = "on" if durable else "off"
        options = (
            f"-p {self.port} -k {self.folder} -c listen_addresses=127.0.0.1 -c fsync={fsync} -c max_connections=200"
        )
        self._run(
            "pg_ctl", "-D", self.folder / "data", "-l", self.folder / "log", "-o", options, "-t", "120", "-w", "start"
        )
        self._admin = create_engine(self.url("postgres"), isolation_level="AUTOCOMMIT")
        self._sql("CREATE DATABASE migrated")
        Book(self.url("migrated")).close()

    def url(self, database: str) -> str:
        return f"postgresql+psycopg://{_OWNER}@127.0.0.1:{self.port}/{database}"

    def empty(self) -> str:
        """The address of a new database with nothing in it."""
        return self._new("template0")

    def book(self) -> str:
        """The address of a new book that is at its head."""
        return self._new("migrated")

    def drop(self, url: str) -> None:
        self._sql(f"DROP DATABASE {url.rpartition('/')[2]} WITH (FORCE)")

    def stop(self) -> None:
        self._admin.dispose()
        self._run("pg_ctl", "-D", self.folder / "data", "-m", "immediate", "-t", "60", "-w", "stop")
        shutil.rmtree(self.folder, ignore_errors=True)

    def _new(self, template: str) -> str:
        name = f"test_{next(self._numbers)}"
        self._sql(f"CREATE DATABASE {name} TEMPLATE {template}")
        return self.url(name)

    def _sql(self, statement: str) -> None:
        with self._admin.connect() as connection:
            connection.execute(text(statement))

    def _run(self, program: str, *arguments: object) -> None:
        command: Sequence[str] = [str(self._programs / program), *map(str, arguments)]
        if os.geteuid() == 0:
            command = ["setpriv", "--reuid=postgres", "--regid=postgres", "--clear-groups", *command]
        out = self.folder / "out"
        with out.open("ab") as file:
            done = subprocess.run(command, stdout=file, stderr=file, cwd=self.folder, check=False)
        assert done.returncode == 0, f"{program}: {out.read_text()[-2000:]}"


def _programs() -> Path:
    """The folder of PostgreSQL's programs; as `tests.conftest.missing` where there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    path = str(found[-1]) if found else shutil.which("initdb")
    return Path(path).parent if path is not None else missing("PostgreSQL is not installed")
