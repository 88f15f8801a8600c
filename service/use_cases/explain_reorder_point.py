"""Why a reorder point is what it is: a sentence for the storeroom, then what it rests on."""

from collections.abc import Sequence
from datetime import date
from typing import Any

import msgspec

from models.base import Session
from models.engine import Engines
from models.queries import acceptances, results
from models.runs import Run, RunFailureModel, RunNeed, RunReorderPoint
from service.db import read_session
from service.schemas.results import ChangeOut, from_row, published
from service.schemas.why import WhyModelOut, WhyOut, WhyPositionOut, WhyTargetOut, WhyValveOut
from service.translate_changes import change_sentence
from service.use_cases.choose_run import choose_run, method_of, notice

VALVES_NAMED = 100
FROM_DETAILS = (
    "simple_bound_reorder_point",
    "floor_qty",
    "lead_time_days",
    "lead_time_over_history",
    "review_period_days",
    "demand_mean",
)
MODELS_READ = 100_000


def explain_reorder_point(engines: Engines, *, run_id: int | None, storeroom: str, kit: str) -> WhyOut:
    """Say why a kit may run that low in a storeroom.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    storeroom, kit : str
        Codes.

    Returns
    -------
    WhyOut
        A sentence, the valves that may take the kit, the models, lead time, target and stock position.

    Raises
    ------
    NotFound
        If the run has no such reorder point.
    """  # noqa: DOC502 (comes from the query)
    with read_session(engines) as session:
        run = choose_run(session, run_id)
        row = results.reorder_point(session, run.id, storeroom=storeroom, kit=kit)
        needs = results.needs_of_kit(session, run.id, storeroom=storeroom, kit=kit)
        models = _models(session, run, needs)
        changes = results.changes(session, run.id, storeroom=storeroom, kit=kit, after=0, limit=1)
        said = notice(session)
        taken = acceptances.taken_of_run(session, run.id).get((row.storeroom_key, row.kit_key))
    change = from_row(ChangeOut, changes[0]) if changes else None
    details: dict[str, Any] = row.details
    return from_row(
        WhyOut,
        row,
        sentence=" ".join([
            *_sentences(run, row, needs, taken),
            *([] if change is None else [change_sentence(change)]),
        ]),
        **{name: details.get(name) for name in FROM_DETAILS},
        target=WhyTargetOut(
            rule=row.rule,
            target=row.target,
            source=details.get("target_source"),
            consequence=details.get("consequence"),
        ),
        position=_position(row),
        valves=[_valve(need) for need in needs[:VALVES_NAMED]],
        valves_left_out=len(needs[VALVES_NAMED:]),
        models=[from_row(WhyModelOut, model) for model in models],
        change=change,
        warnings=details.get("warnings", []),
        run=run.id,
        as_of=run.as_of,
        method=method_of(run, row.details),
        notice=said,
    )


def _models(session: Session, run: Run, needs: Sequence[RunNeed]) -> list[RunFailureModel]:
    taking = {(need.service_class, need.maintainable_item) for need in needs}
    every = results.failure_models(session, run.id, service_class=None, after=0, limit=MODELS_READ)
    return [model for model in every if (model.service_class, model.maintainable_item) in taking]


def _position(row: RunReorderPoint) -> WhyPositionOut:
    parts = {name: row.details.get(name) for name in WhyPositionOut.__struct_fields__}
    return msgspec.convert(published({**parts, "position": row.position}), WhyPositionOut)


def _valve(need: RunNeed) -> WhyValveOut:
    return from_row(WhyValveOut, need, expected_in_protection_interval=need.mean_protection)


def _sentences(run: Run, row: RunReorderPoint, needs: Sequence[RunNeed], taken: int | None) -> list[str]:
    parts = [_what_to_do(run, row, taken), _overdue(row), _who_takes_it(row, needs), _what_it_achieves(row)]
    return [part for part in parts if part]


def _what_to_do(run: Run, row: RunReorderPoint, taken: int | None) -> str:
    what = f"kit {row.kit} in storeroom {row.storeroom}"
    if row.reorder_point is None:
        return f"No reorder point can be given for {what}: {row.reason or row.status}."
    if row.position is None:
        return f"Order {what} when it falls to {row.reorder_point}; its stock position is not known."
    if not row.proposed_quantity:
        return (
            f"Nothing to order of {what}: its stock position is {row.position}, its reorder point {row.reorder_point}."
        )
    stands = f"its stock position is {row.position}, its reorder point {row.reorder_point}."
    if taken is not None:
        decided = f"{taken} accepted" if taken else "declined"
        return f"Nothing more to order of {what}: {decided} since this forecast; before that {stands}"
    return f"Order {row.proposed_quantity} of {what}{_by(row, as_of=run.as_of)}: {stands}"


def _by(row: RunReorderPoint, *, as_of: date) -> str:
    """Say by when; a day in the past is what it should have been."""
    if row.order_by is None or row.order_by >= as_of:
        return "" if row.order_by is None else f" by {row.order_by}"
    days = (as_of - row.order_by).days
    return f" today, {days} {'day' if days == 1 else 'days'} late (it was to be ordered by {row.order_by})"


def _overdue(row: RunReorderPoint) -> str:
    overdue = row.details.get("overdue_qty")
    return f"Chase {overdue:g} on overdue orders." if overdue else ""


def _who_takes_it(row: RunReorderPoint, needs: Sequence[RunNeed]) -> str:
    expected, days = row.details.get("demand_mean"), row.protection_interval_days
    if expected is None or days is None:
        return ""
    issues = row.details.get("issues")
    if issues is not None:
        return (
            f"No valve says when it is needed; its issues alone, {issues['demands']} demands in {issues['months']} "
            f"months, let expect {expected:.3g} in the {days:g} days that an order and the next review take."
        )
    if not needs:
        return ""
    valves = len({need.tag for need in needs})
    return (
        f"In the {days:g} days that an order and the next review take, {expected:.3g} are expected to be taken "
        f"by {valves} {'valve' if valves == 1 else 'valves'}, most of all by {needs[0].tag}."
    )


def _what_it_achieves(row: RunReorderPoint) -> str:
    if row.cycle_service_level is None:
        return ""
    wanted = ""
    if row.target is not None and row.rule is not None:
        wanted = f"; wanted: {row.rule.replace('_', ' ')} {row.target:.1%}"
    # nothing that is forecast is sure
    level = "over 99.9%" if row.cycle_service_level > 0.999 else f"{row.cycle_service_level:.1%}"
    return f"The chance that this level lasts until the order arrives is {level}{wanted}."
