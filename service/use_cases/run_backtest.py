"""Back-test the forecast on the plant's own record, and store the scores with the latest run."""

from collections.abc import Callable
from datetime import date

from forecasting.backtest import Backtest, backtest
from forecasting.errors import InsufficientData
from models.base import Session
from models.engine import Engines
from models.queries import audit, backtests
from service.db import read_session, write_session
from service.run_inputs import Asked, asked_of, read_inputs
from service.settings import code_version, now, today
from service.translate_backtest import (
    HORIZON_DAYS,
    backtest_details,
    backtest_plan,
    backtest_summary,
    past_plant,
    scope_note,
    score_row,
    takings_of,
)
from service.use_cases.choose_run import choose_run
from service.use_cases.read_exchanges import read_exchanges


def unguarded(_: Session) -> None:
    """Store whatever comes."""


def unwatched(_: str) -> None:
    """Tell nobody how far it is."""


def run_backtest(
    engines: Engines,
    *,
    as_of: date | None,
    guard: Callable[[Session], object] = unguarded,
    watch: Callable[[str], object] = unwatched,
) -> str:
    """Score the forecast from earlier days, beside simple methods and the present levels, and store the scores.

    Parameters
    ----------
    engines : Engines
        Of the database.
    as_of : date or None
        What is dated later isn't read; None: the cut-off of the latest run.
    guard : callable
        Raises, in the transaction that would store the scores, if they are not to be stored.
    watch : callable
        Is told which stage begins.

    Returns
    -------
    str
        How good it was, in a few sentences.

    Raises
    ------
    InsufficientData
        If no run has finished, or the record is too short.
    """
    watch("reading")
    with read_session(engines) as session:
        run = choose_run(session, None)
        cut_off = as_of or run.as_of
        read = read_inputs(session, read_exchanges(session, as_of=cut_off))
    asked = asked_of(read.inputs, as_of=cut_off)
    watch("forecasting from earlier days")
    made = _scored(asked)
    watch("storing")
    summary = backtest_summary(made, computed_on=today(), as_of=cut_off)
    with write_session(engines) as session:
        guard(session)
        number = backtests.store_backtest(
            session,
            run.id,
            as_of=cut_off,
            computed_at=now(),
            code_version=code_version(),
            horizon_days=HORIZON_DAYS,
            summary=summary,
            details=backtest_details(made, notes=[scope_note(asked)]),
            scores=[score_row(score) for score in made.scores],
        )
        audit.note(session, "back-test", {"backtest": number, "run": run.id, "as_of": cut_off})
    return summary


def _scored(asked: Asked) -> Backtest:
    """Forecast from earlier days and score."""  # noqa: DOC501 (said by the caller)
    plan = backtest_plan(asked)
    if not plan.origins:
        raise InsufficientData(f"the record is too short to back-test: a year and {HORIZON_DAYS} days are needed")
    made = backtest(past_plant(asked), takings_of(asked), plan=plan)
    if not made.scores:
        raise InsufficientData("nothing to back-test: no valve's record is a year older than the horizon")
    return made
