"""Plan a turnaround under limits, from what a run read; this is done in a process of its own."""

from collections.abc import Sequence

from forecasting.errors import InfeasibleTarget
from forecasting.found_on_opening import openings_seen
from forecasting.lifetime_points import lifetime_points
from forecasting.pipeline import standing
from forecasting.turnarounds import Limits
from models.base import Session
from models.engine import Engines
from models.queries import results, run_inputs, run_log, turnaround_plans
from service.db import read_session
from service.plan_of_turnaround import plan_of
from service.run_inputs import asked_of, unpacked
from service.run_models import fitted_again
from service.schemas.turnarounds import PlannedKits, TurnaroundAnswer, TurnaroundQuestion
from service.stored_plans import unpacked_kits
from service.translate_turnaround_stock import Takings, takings_of
from service.translate_windows import TurnaroundWindow, windows_to_come
from service.turnaround_planning import Planning

EVERY_ROW = 1_000_000
UNLIMITED = float("inf")


def answer_turnaround(engines: Engines, question: TurnaroundQuestion) -> TurnaroundAnswer:
    """Plan a turnaround under limits, at the run's data cut-off, whatever the record is now.

    Parameters
    ----------
    engines : Engines
        The database.
    question : TurnaroundQuestion
        Of a turnaround that the run planned.

    Returns
    -------
    TurnaroundAnswer
        The plan, or why there is none under these limits.

    Raises
    ------
    NotFound
        If what the run read is no longer kept.
    """  # noqa: DOC502 (comes from the query)
    with read_session(engines) as session:
        planning, stored = _planning(session, question.run), turnaround_plans.stored_plans(session, question.run)
    plans = [unpacked_kits(content) for content in stored]
    window = next(
        one
        for one in windows_to_come(planning.asked.inputs, as_of=planning.asked.as_of)
        if one.record.code == question.code
    )
    try:
        return TurnaroundAnswer(plan=plan_of(planning, window, _limits(question), _taken_before(plans, window)))
    except InfeasibleTarget as error:
        return TurnaroundAnswer(infeasible=str(error))


def _taken_before(plans: Sequence[PlannedKits], window: TurnaroundWindow) -> Takings:
    """Find what earlier turnarounds take, as the run planned them: runs store plans by first day and code."""
    codes = [plan.code for plan in plans]
    return takings_of(plans[: codes.index(window.record.code)])


def _limits(question: TurnaroundQuestion) -> Limits:
    return Limits(
        budget=UNLIMITED if question.budget is None else question.budget,
        hours=UNLIMITED if question.hours is None else question.hours,
        valves=UNLIMITED if question.valves is None else float(question.valves),
    )


def _planning(session: Session, run_id: int) -> Planning:
    run = run_log.get_run(session, run_id)
    asked = asked_of(unpacked(run_inputs.run_input(session, run)), as_of=run.as_of)
    models = results.failure_models(session, run.id, service_class=None, after=0, limit=EVERY_ROW)
    levels = results.reorder_points(session, run.id, storeroom=None, kit=None, after=0, limit=EVERY_ROW)
    stand = standing(asked.plant)
    lifetimes = fitted_again(stand, models)
    return Planning(
        asked=asked,
        ages=stand.fleet.ages,
        lifetimes=lifetimes,
        points=lifetime_points(lifetimes, lives=stand.fleet.lives),
        openings=openings_seen(asked.register.histories, as_of=asked.as_of.toordinal()),
        reorder_points={(one.storeroom, one.kit): one.reorder_point or 0 for one in levels},
    )
