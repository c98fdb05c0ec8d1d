"""A PostgreSQL cluster of our own: made in a temporary folder, on a socket there, as a user who may do nothing else."""

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

QUICK = "-c listen_addresses= -c fsync=off -c full_page_writes=off -c max_wal_size=64MB -c shared_buffers=16MB"


class Cluster:
    """A running server; ``url`` names a new, empty database each time."""

    def __init__(self, folder: Path, programs: Path) -> None:
        self._folder = folder
        self._programs = programs
        self._count = 0

    def start(self) -> None:
        options = f"{QUICK} -k {self._folder}"
        self._run(
            "pg_ctl", "-w", "-D", str(self._folder / "data"), "-o", options, "-l", str(self._folder / "log"), "start"
        )

    def stop(self) -> None:
        self._run("pg_ctl", "-w", "-D", str(self._folder / "data"), "-m", "immediate", "stop")

    def make(self) -> None:
        self._run(
            "initdb",
            "--no-sync",
            "-U",
            "bench",
            "-A",
            "trust",
            "-E",
            "UTF8",
            "--locale=C",
            "-D",
            str(self._folder / "data"),
        )

    def url(self) -> str:
        self._count += 1
        name = f"records_{self._count}"
        self._run("createdb", "-h", str(self._folder), "-U", "bench", name)
        return f"postgresql://bench@/{name}?host={quote(str(self._folder))}"

    def _run(self, program: str, *arguments: str) -> None:
        command = [*_as_nobody(), str(self._programs / program), *arguments]
        # Its output goes to a file: a server that inherits a pipe would keep it open.
        with (self._folder / "said").open("ab") as said:
            done = subprocess.run(command, stdout=said, stderr=said, stdin=subprocess.DEVNULL, cwd=self._folder)
        assert done.returncode == 0, (self._folder / "said").read_text()


def _as_nobody() -> list[str]:
    """PostgreSQL refuses to be run by root."""
    if os.geteuid() != 0:
        return []
    user = _user()
    return ["setpriv", f"--reuid={user.pw_uid}", f"--regid={user.pw_gid}", "--clear-groups", "--"]


def _user() -> pwd.struct_passwd:
    names = {user.pw_name: user for user in pwd.getpwall()}
    return names.get("postgres") or names["nobody"]


def _programs() -> Path:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    program = str(found[-1]) if found else shutil.which("initdb")
    assert program, "PostgreSQL is not installed: apt install postgresql"
    return Path(program).resolve().parent


@contextmanager
def cluster() -> Iterator[Cluster]:
    """A server for as long as the block lasts."""
    folder = Path(tempfile.mkdtemp(prefix="umbilical-pg-", dir="/tmp"))  # short: a socket's path has 107 bytes at most
    if os.geteuid() == 0:
        os.chown(folder, _user().pw_uid, _user().pw_gid)
    made = Cluster(folder, _programs())
    try:
        made.make()
        made.start()
        try:
            yield made
        finally:
            made.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)
