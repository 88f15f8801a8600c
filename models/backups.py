"""A database copied to one file while it is in use, and brought back from it.

SQLite's own online copy; on PostgreSQL the server's `pg_dump` and `pg_restore`, which are to be installed here.
"""

import os
import shutil
import sqlite3
import subprocess
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from alembic.script import ScriptDirectory
from sqlalchemy.engine import make_url

from models.base import Conflict, Damaged, NotFound
from models.engine import MIGRATIONS, migrate
from models.queries.revisions import WRITER_LOCK

PARTIAL = ".partial"
OWNER_ONLY = 0o600
WAIT_SECONDS = 60.0
INSTALLED = Path("/usr/lib/postgresql")
DUMPED_AS = b"PGDMP"
# everything there is goes in the transaction that brings the copy back: a table the copy lacks would else stay
EMPTIED = f"""
SELECT pg_advisory_xact_lock({WRITER_LOCK});
DO $$ DECLARE name text; BEGIN
  FOR name IN SELECT tablename FROM pg_tables WHERE schemaname = 'public' LOOP
    EXECUTE format('DROP TABLE public.%I CASCADE', name);
  END LOOP;
END $$;
"""


def back_up(url: str, path: Path) -> None:
    """Copy a database, as it is at one moment, to a file; others go on reading and writing.

    Parameters
    ----------
    url : str
        As for `models.engine.open_engines`.
    path : Path
        Where the copy goes. It is there whole or not at all.

    Raises
    ------
    Conflict
        If the database server's programs refuse.
    Damaged
        If the copy isn't sound.
    NotFound
        If they aren't installed, or there is no such folder.
    """  # noqa: DOC502 (come from the two ways)
    if not path.parent.is_dir():
        raise NotFound(f"there is no folder {path.parent}")
    partial = path.with_name(path.name + PARTIAL)
    partial.unlink(missing_ok=True)
    partial.touch(OWNER_ONLY)  # it holds digests of keys
    try:
        _way(url, sqlite=_copy_file, postgresql=_dump)(url, partial)
        _write_through(partial)
        partial.replace(path)
        _write_through(path.parent)
    finally:
        partial.unlink(missing_ok=True)


def bring_back(url: str, path: Path) -> None:
    """Put a copy in the place of all that a database holds, in one transaction, and bring it to this version.

    Parameters
    ----------
    url : str
        As for `models.engine.open_engines`.
    path : Path
        What `back_up` made, of this version or an older one.

    Raises
    ------
    Conflict
        If it is no copy, or of a newer version.
    Damaged
        If it isn't sound.
    NotFound
        If there is no such file, or the database server's programs aren't installed.
    """  # noqa: DOC502 (come from the two ways)
    if not path.is_file():
        raise NotFound(f"there is no file {path}")
    _way(url, sqlite=_bring_back_file, postgresql=_restore)(url, path)
    migrate(url)


def _way(
    url: str, *, sqlite: Callable[[str, Path], None], postgresql: Callable[[str, Path], None]
) -> Callable[[str, Path], None]:
    return sqlite if url.startswith("sqlite") else postgresql


def _copy_file(url: str, target: Path) -> None:
    with closing(_opened(_place(url))) as source, closing(_opened(target)) as copy:
        source.backup(copy)
        copy.execute("PRAGMA journal_mode=DELETE")
        _expect_sound(copy, target)


def _bring_back_file(url: str, path: Path) -> None:
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as source:
        _expect_sound(source, path)
        _expect_known(_version_of(source, path), path)
        with closing(_opened(_place(url))) as live:
            live.execute("PRAGMA journal_mode=WAL")
            source.backup(live)


def _opened(path: str | Path) -> sqlite3.Connection:
    return sqlite3.connect(path, timeout=WAIT_SECONDS, isolation_level=None)


def _place(url: str) -> str:
    return make_url(url).database or ""


def _expect_sound(connection: sqlite3.Connection, path: Path) -> None:
    try:
        faults = [str(row[0]) for row in connection.execute("PRAGMA integrity_check")]
    except sqlite3.DatabaseError as error:
        raise Damaged(f"{path} is damaged, or no copy of a database: {error}") from error
    if faults != ["ok"]:
        raise Damaged(f"{path} is damaged: {faults[0]}")


def _version_of(connection: sqlite3.Connection, path: Path) -> str:
    try:
        ((version,),) = connection.execute("SELECT version_num FROM alembic_version").fetchall()
    except (sqlite3.DatabaseError, ValueError) as error:
        raise Conflict(f"{path} is no copy of a database of this program") from error
    return str(version)


def _expect_known(version: str, path: Path) -> None:
    known = {script.revision for script in ScriptDirectory(str(MIGRATIONS)).walk_revisions()}
    if version not in known:
        raise Conflict(f"{path} is of another version of this program, {version}; bring it back with that one")


def _dump(url: str, target: Path) -> None:
    _run(url, "pg_dump", "--format=custom", "--no-owner", "--no-privileges", f"--file={target}")


def _restore(url: str, path: Path) -> None:
    with path.open("rb") as file:
        if file.read(len(DUMPED_AS)) != DUMPED_AS:
            raise Conflict(f"{path} is no copy of a PostgreSQL database")
    script = _run(url, "pg_restore", "--no-owner", "--no-privileges", "--file=-", str(path))
    _expect_known(_version_in(script, path), path)
    _run(url, "psql", "--no-psqlrc", "--quiet", "--single-transaction", "-v", "ON_ERROR_STOP=1", "--file=-",
         standard_input=EMPTIED.encode() + script)  # fmt: skip


def _version_in(script: bytes, path: Path) -> str:
    _, found, rest = script.partition(b"COPY public.alembic_version (version_num) FROM stdin;\n")
    if not found:
        raise Conflict(f"{path} is no copy of a database of this program")
    return rest.partition(b"\n")[0].decode()


def _run(url: str, program: str, *arguments: str, standard_input: bytes = b"") -> bytes:
    done = subprocess.run(
        [_found(program), *arguments], input=standard_input, env=_environment(url), capture_output=True, check=False
    )
    if done.returncode:
        told = done.stderr.decode(errors="replace").strip().splitlines()
        raise Conflict(f"{program} refuses: {told[0] if told else f'it ended with {done.returncode}'}")
    return done.stdout


def _found(program: str) -> str:
    """Find a program beside the server's, the newest first, else on the path."""  # noqa: DOC501 (said by the callers)
    named = os.environ.get("PG_BIN")
    folders = [Path(named)] if named else sorted(INSTALLED.glob("*/bin"), key=lambda folder: -_number(folder))
    beside = next((str(folder / program) for folder in folders if (folder / program).exists()), None)
    found = beside or shutil.which(program)
    if found is None:
        raise NotFound(f"{program} is not installed here; it comes with PostgreSQL's client programs (or set PG_BIN)")
    return found


def _number(folder: Path) -> float:
    try:
        return float(folder.parent.name)
    except ValueError:
        return 0.0


def _environment(url: str) -> dict[str, str]:
    # never as arguments, which are public: the address may hold a password
    parsed = make_url(url)
    told = {
        "PGHOST": parsed.host,
        "PGPORT": parsed.port,
        "PGUSER": parsed.username,
        "PGPASSWORD": parsed.password,
        "PGDATABASE": parsed.database,
        "PGSSLMODE": parsed.query.get("sslmode"),
    }
    return {**os.environ, **{name: str(value) for name, value in told.items() if value is not None}}


def _write_through(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
