"""Everything a run plans for a turnaround, put together: scope, budget, kits, staging, limits."""

from forecasting.found_on_opening import openings_seen
from forecasting.lifetime_points import lifetime_points
from forecasting.pipeline import Forecast
from forecasting.turnarounds import Limits
from service.run_inputs import Asked
from service.schemas.turnarounds import TurnaroundPlan
from service.stored_plans import packed_plan
from service.translate_budget import budget_of
from service.translate_exposures import outcomes_by_class
from service.translate_scope import valves_at_window
from service.translate_scope_lines import chosen_scope, limit_rows, scope_rows
from service.translate_turnaround_kits import kit_rows, staging_rows
from service.translate_turnaround_stock import Takings, takings_of
from service.translate_windows import TurnaroundWindow, windows_to_come
from service.turnaround_planning import Planning


def planning_of(made: Forecast, asked: Asked) -> Planning:
    """Take from a forecast what turnarounds are planned from.

    Parameters
    ----------
    made : Forecast
        Of the record.
    asked : Asked
        The record.

    Returns
    -------
    Planning
        At the data cut-off.
    """
    return Planning(
        asked=asked,
        ages=made.fleet.ages,
        lifetimes=made.lifetimes,
        points=lifetime_points(made.lifetimes, lives=made.fleet.lives),
        openings=openings_seen(asked.register.histories, as_of=asked.as_of.toordinal()),
        reorder_points={key: decision.reorder_point for key, decision in made.decisions.items()},
    )


def plan_of(planning: Planning, window: TurnaroundWindow, limits: Limits, takings: Takings) -> TurnaroundPlan:
    """Plan a turnaround.

    Parameters
    ----------
    planning : Planning
        Record and lifetimes.
    window : TurnaroundWindow
        The turnaround.
    limits : Limits [money, hours, valves]
        What it has.
    takings : mapping from (storeroom, kit) to sequence of Taking
        What earlier turnarounds take of what is there.

    Returns
    -------
    TurnaroundPlan
        Scope, budget, kits, staging list, worth of the limits.

    Raises
    ------
    InfeasibleTarget
        If what has to be opened exceeds a limit.
    """  # noqa: DOC502 (comes from chosen_scope)
    chosen = chosen_scope(valves_at_window(planning, window), limits)
    by_class = outcomes_by_class(planning, window, chosen)
    kits = kit_rows(planning, window, chosen, by_class, takings)
    return TurnaroundPlan(
        code=window.record.code,
        scope=scope_rows(chosen, planning.works),
        budget=budget_of(planning, window, chosen, by_class, kits),
        kits=kits,
        staging=staging_rows(by_class),
        limits=limit_rows(chosen),
    )


def plan_rows(made: Forecast, asked: Asked) -> list[dict[str, object]]:
    """Plan every turnaround to come, without limits, for storage.

    Parameters
    ----------
    made : Forecast
        Of the record.
    asked : Asked
        The record.

    Returns
    -------
    list of dict
        Columns of run_turnarounds, by first day.
    """
    if not windows_to_come(asked.inputs, as_of=asked.as_of):
        return []
    return [{"code": plan.code, "content": packed_plan(plan)} for plan in every_plan(planning_of(made, asked))]


def every_plan(planning: Planning) -> list[TurnaroundPlan]:
    """Plan every turnaround to come, without limits; the earlier one takes what is there first.

    Parameters
    ----------
    planning : Planning
        Record and lifetimes.

    Returns
    -------
    list of TurnaroundPlan
        By first day.
    """
    plans: list[TurnaroundPlan] = []
    for window in windows_to_come(planning.asked.inputs, as_of=planning.asked.as_of):
        plans.append(plan_of(planning, window, Limits(), takings_of(plans)))
    return plans
