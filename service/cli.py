"""Command line: migrate, import, export, run, backtest, serve, demo; the rest in modules of their own."""

import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Mapping
from contextlib import ExitStack
from datetime import date
from pathlib import Path
from typing import Annotated, BinaryIO

import typer
from sqlalchemy.exc import ArgumentError

from forecasting.errors import InvalidInput
from models.engine import Engines, migrate
from models.queries.audit import Actor
from models.queries.backtests import ScoreFilter
from models.queries.files import FILES
from service import backup_commands, key_commands, scheduler_commands, settings, terminal
from service.actors import acting
from service.command_options import BAD_INPUT, FAILED, AsJson, Day, Version, told_in_a_sentence, write_json
from service.csv_tables import Dialect
from service.databases import expect_sound_or_absent, opened
from service.local_dates import DateOrder
from service.logs import configure_logs
from service.run_profile import RunProfile
from service.schemas.accuracy import AccuracyOut
from service.schemas.runs import RunOut
from service.spooled_tables import unwatched
from service.use_cases import list_accuracy, list_results, load_demo, request_run
from service.use_cases.compute_run import compute_run
from service.use_cases.export_files import FileFormat, export_folder
from service.use_cases.import_archive import unpacked
from service.use_cases.import_files import SUFFIXES, ImportRejected, check_files, import_files
from service.use_cases.import_workbook import sheets_of

DATABASES = ("sqlite:///", "postgresql://")
DEMO_ORDERS = 15
DEMO_AS_OF = date(2026, 6, 30)

app = typer.Typer(
    name="valve-kits",
    help="Forecasts rebuild-kit demand for control valves: rebuild history in, what to order and by when out.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
)
out, err = terminal.console(sys.stdout), terminal.console(sys.stderr)


@app.callback()
def choose_database(
    context: typer.Context,
    database: Annotated[
        str, typer.Option(envvar="VALVE_KITS_DATABASE", help="sqlite:///FILE or postgresql://...")
    ] = settings.DEFAULT_DATABASE,
    version: Version = False,
) -> None:
    """Forecast rebuild-kit demand for control valves: rebuild history in, what to order and by when out."""  # noqa: DOC501
    if not database.startswith(DATABASES):
        raise ArgumentError
    context.obj = database
    acting.set(Actor(holder=settings.user_name(), role="command line"))


@app.command("migrate")
def migrate_command(context: typer.Context, json: AsJson = False) -> None:
    """Bring the database to the tables this version needs."""
    migrate(context.obj)
    if json:
        write_json({"up_to_date": True})
    else:
        out.print("The database is up to date.")


@app.command("import")
def import_command(
    context: typer.Context,
    paths: Annotated[
        list[Path],
        typer.Argument(
            exists=True,
            help="CSV or .xlsx files, folders or zip archives of them, workbooks with a sheet for each.",
        ),
    ],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Check only; store nothing.")] = False,
    dates: Annotated[DateOrder, typer.Option(help="How days are written besides ISO 8601; never guessed.")] = "iso",
    json: AsJson = False,
) -> None:
    """Import files of the record in any order: all of them or, if a line is wrong, none."""  # noqa: DOC501 (an exit code)
    bring_in = check_files if dry_run else import_files
    with opened(context.obj) as engines, ExitStack() as stack:
        try:
            files = _files(paths, stack)
            watch = unwatched if json else stack.enter_context(terminal.import_watch(err))
            report = bring_in(engines, files, today=settings.today(), dates=dates, watch=watch)
        except ImportRejected as rejected:
            if json:
                write_json({"errors": rejected.errors})
            else:
                terminal.show_rejection(err, rejected.errors)
            raise typer.Exit(BAD_INPUT) from rejected
    if json:
        write_json(report)
    else:
        terminal.show_import(out, report, title="Checked; nothing was stored" if dry_run else "Imported")


@app.command("export")
def export_command(
    context: typer.Context,
    folder: Annotated[Path, typer.Argument(file_okay=False, help="Where the files go; made if it isn't there.")],
    file_format: Annotated[FileFormat, typer.Option("--format", help="Of each file.")] = "csv",
    dialect: Annotated[Dialect, typer.Option(help="Of CSV: semicolon has decimal commas.")] = "comma",
    json: AsJson = False,
) -> None:
    """Write every file of the record, as import takes them back; files of the same names are replaced."""
    with opened(context.obj) as engines:
        paths = export_folder(engines, folder, file_format=file_format, dialect=dialect)
    if json:
        write_json({"files": [str(path) for path in paths]})
    else:
        out.print(f"Wrote {len(paths)} files to {folder}.", markup=False, highlight=False)


@app.command("run")
def run_command(
    context: typer.Context,
    as_of: Day = None,
    run_id: Annotated[int | None, typer.Option(help="Compute this queued run.")] = None,
    profile: Annotated[bool, typer.Option("--profile", help="Say what each stage took, on standard error.")] = False,
    json: AsJson = False,
) -> None:
    """Compute the forecast and store it."""  # noqa: DOC501 (an exit code)
    settings.processes()
    costs = RunProfile()
    with opened(context.obj) as engines:
        if run_id is None:
            run_id = request_run.request_run(engines, as_of=as_of)
        with terminal.stage_watch(err, quiet=json) as show:

            def watch(stage: str | None) -> None:
                costs.enter(stage)
                show(stage)

            run = compute_run(engines, run_id, watch=watch, cancelled=_end)
        if profile:
            terminal.show_costs(err, costs)
        if json:
            write_json(run)
        else:
            _show(engines, run, most_orders=0)
    if run.status != "finished":
        raise typer.Exit(FAILED)


def _end() -> None:
    """End this process as the server that started it would, had it been asked to cancel the run."""
    os.kill(os.getpid(), signal.SIGTERM)


@app.command("backtest")
def backtest_command(context: typer.Context, as_of: Day = None, json: AsJson = False) -> None:
    """Score the forecast as made from earlier days, beside simple methods; store the scores with the latest run.

    Without --as-of the record is read up to the cut-off of the latest run.
    """
    # the server never imports the numerics: they are loaded here, in the process that computes
    from service.use_cases.run_backtest import run_backtest

    with opened(context.obj) as engines:
        with terminal.stage_watch(err, quiet=json) as show:
            summary = run_backtest(engines, as_of=as_of, watch=show)
        scores = list_accuracy.list_accuracy(engines, run_id=None, wanted=ScoreFilter())
        rows = list(scores.rows())
    if json:
        write_json({"summary": summary, "scores": rows})
    else:
        terminal.show_scores(out, [row for row in rows if not row.kit], title="All kits of the plant together")
        lost = [row for row in rows if _lost(row)]
        if lost:
            terminal.show_scores(out, lost, title="Kits for which a simple method was better")
        out.print(summary, markup=False, highlight=False)


@app.command("serve")
def serve_command(
    context: typer.Context,
    host: Annotated[str, typer.Option(help="The address to listen at.")] = settings.DEFAULT_HOST,
    port: Annotated[int, typer.Option(min=1, max=65535)] = settings.DEFAULT_PORT,
    open_: Annotated[bool, typer.Option("--open", help="No key needed; this computer only.")] = False,
    import_limit_mib: Annotated[
        int, typer.Option(envvar="VALVE_KITS_IMPORT_LIMIT_MIB", min=1, help="The largest file read.")
    ] = settings.DEFAULT_IMPORT_LIMIT_MIB,
    import_limit_rows: Annotated[
        int, typer.Option(envvar="VALVE_KITS_IMPORT_LIMIT_ROWS", min=1, help="The most rows taken in one import.")
    ] = settings.DEFAULT_IMPORT_LIMIT_ROWS,
    requests_per_minute: Annotated[
        int, typer.Option(envvar="VALVE_KITS_REQUESTS_PER_MINUTE", min=1, help="How often one key may ask.")
    ] = settings.DEFAULT_REQUESTS_PER_MINUTE,
    with_scheduler: Annotated[
        bool, typer.Option("--with-scheduler", help="And run what is due, as scheduler.")
    ] = False,
    time_zone: scheduler_commands.Zone = None,
    nightly_at: scheduler_commands.NightlyAt = settings.DEFAULT_NIGHTLY_AT,
) -> None:
    """Answer over HTTP, to holders of a key."""
    settings.processes()  # runs that are asked for would fail over it, one after the other
    # the other commands start faster without the web
    from service.server import serve

    if context.obj.startswith("sqlite"):
        migrate(context.obj)
    expect_sound_or_absent(context.obj)
    wanted = settings.Settings(
        database_url=context.obj,
        access="open" if open_ else "keys",
        port=port,
        import_limit_bytes=import_limit_mib * settings.MEBIBYTE,
        import_limit_rows=import_limit_rows,
        requests_per_minute=requests_per_minute,
    )
    with ExitStack() as stack:
        if with_scheduler:
            beside = scheduler_commands.scheduler_beside(context.obj, time_zone=time_zone, nightly_at=nightly_at)
            stack.enter_context(beside)
        serve(wanted, host=host)


@app.command("demo")
def demo_command(
    context: typer.Context,
    port: Annotated[int, typer.Option(min=1, max=65535)] = settings.DEFAULT_PORT,
    no_serve: Annotated[bool, typer.Option("--no-serve", help="Stop after the order list.")] = False,
) -> None:
    """Load the invented plant, forecast it, show what to order, and serve it to this computer."""  # noqa: DOC501 (an exit code)
    settings.processes()
    as_of = min(DEMO_AS_OF, settings.today())
    with opened(context.obj) as engines, tempfile.TemporaryDirectory() as folder:
        load_demo.claim_database(engines)
        seed = [sys.executable, "-m", "seed_demo", folder, "--as-of", as_of.isoformat()]
        subprocess.run(seed, check=True)
        import_files(engines, _files([Path(folder)], ExitStack()), today=as_of)
        run = compute_run(engines, request_run.request_run(engines, as_of=as_of))
        _show(engines, run, most_orders=DEMO_ORDERS)
    if run.status != "finished":
        raise typer.Exit(FAILED)
    out.print(f"This plant is invented. Its order list: http://127.0.0.1:{port}/v1/order-list", highlight=False)
    if not no_serve:
        serve_command(context, host=settings.DEFAULT_HOST, port=port, open_=True)


app.add_typer(key_commands.app)
app.command("scheduler")(scheduler_commands.scheduler_command)
app.command("backup")(backup_commands.backup_command)
app.command("restore")(backup_commands.restore_command)


def main() -> None:
    """Run the command line; what goes wrong is told in a sentence, without a traceback."""
    configure_logs()
    with told_in_a_sentence():
        sys.exit(app(args=sys.argv[1:] or ["--help"], prog_name="valve-kits", standalone_mode=False))


def _files(paths: Iterable[Path], stack: ExitStack) -> dict[str, BinaryIO | Path]:
    """Find the files of the record in folders and archives; what is unpacked is there as long as the stack."""  # noqa: DOC501
    files: dict[str, BinaryIO | Path] = {}
    came_from: dict[str, Path] = {}
    for path in paths:
        for name, content in _files_of(path, stack).items():
            if name in files:
                raise InvalidInput(f"{name} is given twice: {came_from[name]} and {path}")
            files[name], came_from[name] = content, path
    return files


def _files_of(path: Path, stack: ExitStack) -> Mapping[str, BinaryIO | Path]:
    if path.suffix.lower() == ".zip":
        return stack.enter_context(unpacked(stack.enter_context(path.open("rb"))))
    if path.suffix.lower() == ".xlsx" and path.stem.casefold() not in FILES:
        return sheets_of(path, stack)
    if not path.is_dir():
        return {path.name: path}
    known = {f"{name}{suffix}" for name in FILES for suffix in SUFFIXES}
    found = {child.name: child for child in sorted(path.iterdir()) if child.name.lower() in known}
    if not found:
        raise InvalidInput(f"{path} holds none of the files {', '.join(f'{name}.csv' for name in sorted(FILES))}")
    return found


def _show(engines: Engines, run: RunOut, *, most_orders: int) -> None:
    terminal.show_run(out, run)
    if run.status == "finished":
        models = list_results.list_failure_models(engines, run_id=run.id, service_class=None)
        terminal.show_models(out, list(models.rows()))
        orders = list_results.list_orders(engines, run_id=run.id, storeroom=None)
        terminal.show_orders(out, list(orders.rows()), most=most_orders)


def _lost(score: AccuracyOut) -> bool:
    return bool(score.kit) and not score.storeroom and score.verdict == "worse"


if __name__ == "__main__":
    main()
