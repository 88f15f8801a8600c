"""Our commands, each in a process of its own as it is used, but forked from one that has imported them already."""

import multiprocessing
import os
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from service.cli import main

SECONDS = 120
PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["service.cli"])


def valve_kits(url: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a command on this database; the process starts twenty times sooner than with a new interpreter."""
    with TemporaryDirectory() as folder:
        out, err = Path(folder) / "out", Path(folder) / "err"
        process = PROCESSES.Process(target=command, args=(url, arguments, str(out), str(err), dict(os.environ)))
        process.start()
        process.join(SECONDS)
        if process.exitcode is None:
            process.kill()
            raise TimeoutError(f"{arguments} takes longer than {SECONDS} seconds")
        return subprocess.CompletedProcess(arguments, process.exitcode, out.read_text(), err.read_text())


def command(url: str, arguments: tuple[str, ...], out: str, err: str, environment: dict[str, str]) -> None:
    """Be that process: what it writes goes to two files."""
    for path, stream in ((out, sys.stdout), (err, sys.stderr)):
        with open(path, "wb") as file:
            os.dup2(file.fileno(), stream.fileno())
    # the process it was forked from has the environment of whoever started it
    os.environ.clear()
    os.environ.update(environment, VALVE_KITS_DATABASE=url)
    sys.argv = ["valve-kits", *arguments]
    main()
