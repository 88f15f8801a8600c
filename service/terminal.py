"""What the command line shows: tables for people, one line each for what can't be known."""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TextIO, get_args

from rich.console import Console, JustifyMethod
from rich.progress import BarColumn, MofNCompleteColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.table import Table

from service.csv_tables import RowError
from service.run_profile import RunProfile
from service.schemas.accuracy import AccuracyOut
from service.schemas.results import FailureModelOut, OrderLineOut
from service.schemas.runs import RunOut
from service.spooled_tables import Step, Watch
from service.use_cases.import_files import ImportReport

PLAIN_WIDTH = 160
LONG_IMPORT_ROWS = 10_000
STEPS: tuple[Step, ...] = get_args(Step)
ORDER_COLUMNS = {
    140: ("storeroom", "kit", "position", "reorder_point", "order_quantity", "order_by", "cost", "reason"),
    96: ("storeroom", "kit", "position", "reorder_point", "order_quantity", "order_by", "cost"),
    0: ("storeroom", "kit", "order_quantity", "order_by", "cost"),
}
"""By the width there must be for them."""
MODEL_COLUMNS = ("service_class", "maintainable_item", "failures", "lives", "mean_days", "status", "reason")
SCORE_COLUMNS = (
    *("kit", "storeroom", "method", "forecasts", "actual_mean", "bias", "cover_90", "crps", "pinball"),
    *("difference", "difference_error", "verdict"),
)
SENTENCES = frozenset({"reason", "expected", "value"})
NUMBERS = frozenset(
    {"position", "reorder_point", "order_quantity", "cost", "failures", "lives", "mean_days", "line"}
    | {"created", "changed", "unchanged"}
    | {*SCORE_COLUMNS} - {"kit", "storeroom", "method", "verdict"}
)


def console(stream: TextIO) -> Console:
    """Open the terminal, or what stands in for it.

    Parameters
    ----------
    stream : text stream
        Standard output or standard error.

    Returns
    -------
    Console
        As wide as the terminal; wide enough for every table if it is none.
    """
    return Console(file=stream, width=None if stream.isatty() else PLAIN_WIDTH)


def show_run(console: Console, run: RunOut) -> None:
    """Say how a run ended.

    Parameters
    ----------
    console : Console
        Where to.
    run : RunOut
        The run.
    """
    counts = ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in run.counts.items())
    console.print(f"Run {run.id} as of {run.as_of}: {run.status}. {counts}", highlight=False)
    if run.error:
        console.print(run.error, highlight=False, markup=False)
    if run.last_backtest:
        console.print(f"The {run.last_backtest.summary}.", highlight=False, markup=False)


def show_costs(console: Console, costs: RunProfile) -> None:
    """Show what each stage of a run took.

    Parameters
    ----------
    console : Console
        Where to.
    costs : RunProfile
        Measured.
    """
    table = Table(title="What the run took")
    table.add_column("stage")
    for name in ("seconds", "processor seconds", "most memory, MiB"):
        table.add_column(name, justify="right")
    for line in costs.lines():
        table.add_row(*line)
    console.print(table)


def show_models(console: Console, models: Sequence[FailureModelOut]) -> None:
    """Say how many items of service classes have a model of their own, and show why the others have not.

    Parameters
    ----------
    console : Console
        Where to.
    models : sequence of FailureModelOut
        All of a run.
    """
    statuses = Counter(model.status for model in models)
    said = ", ".join(f"{number} {status.replace('_', ' ')}" for status, number in statuses.items())
    console.print(f"Failure-interval models: {said or 'none'}", highlight=False)
    show_table(console, "Those to be careful with", MODEL_COLUMNS, [model for model in models if model.reason])


def show_orders(console: Console, orders: Sequence[OrderLineOut], *, most: int) -> None:
    """Show the head of an order list.

    Parameters
    ----------
    console : Console
        Where to.
    orders : sequence of OrderLineOut
        All of a run.
    most : int [lines]
        How many to show.
    """
    if most:
        # a narrower terminal keeps what is acted on; the rest is in the list itself
        columns = next(columns for room, columns in ORDER_COLUMNS.items() if console.width >= room)
        show_table(console, "Order list", columns, orders[:most], folded=())
    console.print(f"Lines to order or to chase: {len(orders)}, at /v1/order-list", highlight=False)


def show_scores(console: Console, scores: Sequence[AccuracyOut], *, title: str) -> None:
    """Show how good methods were.

    Parameters
    ----------
    console : Console
        Where to.
    scores : sequence of AccuracyOut
        Of the kits wanted.
    title : str
        Which those are.
    """
    show_table(console, title, SCORE_COLUMNS, scores)


def show_import(console: Console, report: ImportReport, *, title: str) -> None:
    """Show what an import did.

    Parameters
    ----------
    console : Console
        Where to.
    report : ImportReport
        What it did, file by file.
    title : str
        Whether it was done.
    """
    show_table(console, title, ("file", "created", "changed", "unchanged"), report.files)
    for file, codes in report.named_but_not_described.items():
        console.print(f"Named but not described in {file}.csv: {', '.join(codes)}", markup=False, highlight=False)


@contextmanager
def import_watch(console: Console) -> Iterator[Watch]:
    """Show how far a long import is, where somebody sees it.

    Parameters
    ----------
    console : Console
        Where to; nothing is written unless it is a terminal.

    Yields
    ------
    Watch
        For `import_files`; a short import shows nothing.
    """
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    progress = Progress(*columns, console=console, transient=True, disable=not console.is_terminal)
    tasks = {step: progress.add_task(f"{step} rows", total=None, start=False) for step in STEPS}

    def watch(step: Step, rows: int) -> None:
        progress.start_task(tasks[step])
        progress.advance(tasks[step], rows)
        read = progress.tasks[tasks["reading"]].completed
        for known in STEPS if step != "reading" else STEPS[1:]:
            progress.update(tasks[known], total=read)
        if read >= LONG_IMPORT_ROWS:
            progress.start()

    try:
        yield watch
    finally:
        progress.stop()


@contextmanager
def stage_watch(console: Console, *, quiet: bool = False) -> Iterator[Callable[[str | None], None]]:
    """Show which stage a long computation is in, and for how long, where somebody sees it.

    Parameters
    ----------
    console : Console
        Where to; nothing is written unless it is a terminal.
    quiet : bool
        Whether nothing is shown there either.

    Yields
    ------
    callable
        Takes the stage that begins; None when all is done.
    """
    columns = (SpinnerColumn(), TextColumn("{task.description}"), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True, disable=quiet or not console.is_terminal) as progress:

        def enter(stage: str | None) -> None:
            for task in progress.task_ids:
                progress.remove_task(task)
            if stage is not None:
                progress.add_task(stage, total=None)

        yield enter


def show_rejection(console: Console, errors: Sequence[RowError]) -> None:
    """Show what is wrong in files that were not imported.

    Parameters
    ----------
    console : Console
        Where to.
    errors : sequence of RowError
        All of it.
    """
    show_table(console, "Nothing was imported", ("file", "line", "column", "value", "expected"), errors)


def show_table(
    console: Console,
    title: str,
    columns: Sequence[str],
    rows: Iterable[object],
    *,
    folded: Collection[str] = SENTENCES,
) -> None:
    """Show rows as a table.

    Parameters
    ----------
    console : Console
        Where to; a table is as wide as that is.
    title : str
        What it is.
    columns : sequence of str
        Which fields, in order.
    rows : iterable of objects
        Its rows.
    folded : collection of str
        Columns whose text goes on in the next line; in others it is cut at the edge.
    """
    cut = set(columns) & SENTENCES - set(folded)
    table = Table(title=title, title_justify="left", expand=bool(cut))
    for column in columns:
        justify: JustifyMethod = "right" if column in NUMBERS else "left"
        room = 1 if column in cut else None
        table.add_column(column, justify=justify, no_wrap=column not in folded, overflow="ellipsis", ratio=room)
    for row in rows:
        table.add_row(*(_cell(getattr(row, column)) for column in columns))
    console.print(table, markup=False)


def _cell(value: object) -> str:
    return "" if value is None else str(value)
