"""Forecast a run's record under other policies, valves and turnarounds; this is done in a process of its own."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import timedelta

import msgspec
from msgspec import structs

from forecasting.demand import Demand
from forecasting.errors import InvalidInput
from forecasting.pipeline import KitsAhead, Standing, decisions_ahead, kits_ahead, standing
from forecasting.pooling import InUse
from models.base import code_key
from models.engine import Engines
from models.queries import results, run_inputs, run_log, turnaround_plans
from service.db import read_session
from service.run_inputs import Asked, asked_of, unpacked
from service.run_models import fitted_again
from service.schemas.what_if import FleetAnswer, FleetQuestion, FleetRow, WhatIfDemand, WhatIfNeed, WhatIfRequest
from service.stored_plans import unpacked_kits
from service.translate_decisions import reorder_row
from service.translate_demand import demand_columns, horizon, valves_by_storeroom
from service.translate_fleet import known_of, misfits, otherwise, touched
from service.translate_results import counted
from service.translate_stock import AskedStock, Assumptions
from service.translate_turnarounds import without_turnaround
from service.translate_what_if import change_of_need, changed, levels
from service.use_cases.plan_what_if import turnaround_kits

MODELS_READ = 100_000
YEAR = (0.0, 365.0)
ASKED = ":asked"
"""Name of the valves asked about, among the parts of the plant."""


@dataclass(frozen=True, kw_only=True)
class _Scene:
    """A record, where its items stand, and what is asked of it."""

    asked: Asked
    stand: Standing
    kits: frozenset[str]
    stock: tuple[AskedStock, ...] = ()


def answer_what_if(engines: Engines, question: FleetQuestion) -> FleetAnswer:
    """Forecast again what a run read, with other policies, valves or turnarounds, by the lifetimes of that run.

    Parameters
    ----------
    engines : Engines
        The database; it is only read.
    question : FleetQuestion
        What would be otherwise.

    Returns
    -------
    FleetAnswer
        Decisions about the kits that this touches, and the demand of a year before and after; or what of the question
        doesn't fit the record.

    Raises
    ------
    NotFound
        If what the run read is no longer kept.
    """  # noqa: DOC502 (comes from the query)
    wanted = question.wanted
    with read_session(engines) as session:
        run = run_log.get_run(session, question.run)
        packed = run_inputs.run_input(session, run)
        models = results.failure_models(session, run.id, service_class=None, after=0, limit=MODELS_READ)
    inputs = unpacked(packed)
    known = known_of(inputs, as_of=run.as_of, last=run.horizon_ends_on or horizon(run.as_of))
    wrong = misfits(wanted, known)
    if wrong:
        return FleetAnswer(misfits=wrong)
    asked = asked_of(inputs, as_of=run.as_of)
    later = asked_of(otherwise(inputs, wanted, known), as_of=run.as_of)
    valves = touched(wanted, later)
    kits = _kits_asked(wanted, later, valves)
    before = _Scene(asked=asked, stand=standing(asked.plant), kits=kits)
    # valves that come or go say nothing about lifetimes: those of the run hold
    after = _Scene(
        asked=later,
        stand=replace(before.stand, ages=standing(later.plant).ages),
        kits=kits,
        stock=tuple(
            changed(one, wanted, assumed=Assumptions())
            for one in later.stock
            if one.question.kit in kits and one.question.valves & valves and _is_asked(one, wanted)
        ),
    )
    lifetimes = fitted_again(after.stand, models)
    try:
        answer = _answer(before, after, lifetimes, wanted)
    except InvalidInput as error:
        return FleetAnswer(undecided=str(error))
    return _with_turnaround_kits(engines, question.run, answer, after, lifetimes) if wanted.turnarounds else answer


def _with_turnaround_kits(
    engines: Engines, run_id: int, answer: FleetAnswer, after: _Scene, lifetimes: tuple[InUse, ...]
) -> FleetAnswer:
    """Say what the turnarounds would want ordered, beside what the run planned."""
    with read_session(engines) as session:
        planned = [unpacked_kits(content) for content in turnaround_plans.stored_plans(session, run_id)]
        rows = results.reorder_points(session, run_id, storeroom=None, kit=None, after=0, limit=MODELS_READ)
        points = {(one.storeroom, one.kit): one.reorder_point or 0 for one in rows}
    points |= {(one.storeroom, one.kit): one.what_if.reorder_point or 0 for one in answer.rows}
    asked = _as_asked(after)
    told = turnaround_kits(planned, asked, after.stand, lifetimes, reorder_points=points, kits=after.kits)
    return structs.replace(answer, turnaround_kits=told)


def _as_asked(scene: _Scene) -> Asked:
    """Take the changed stock questions in the place of the record's."""
    changed_ones = {(one.question.storeroom, one.question.kit): one for one in scene.stock}
    stock = tuple(changed_ones.get((one.question.storeroom, one.question.kit), one) for one in scene.asked.stock)
    return replace(scene.asked, stock=stock)


def _kits_asked(wanted: WhatIfRequest, asked: Asked, valves: frozenset[str]) -> frozenset[str]:
    """Kits that any of these valves takes, or the one asked about of them."""
    taken = frozenset().union(*(asked.register.kits[asked.register.designs[tag]] for tag in valves))
    return frozenset(kit for kit in taken if wanted.kit is None or code_key(kit) == code_key(wanted.kit))


def _is_asked(one: AskedStock, wanted: WhatIfRequest) -> bool:
    return wanted.storeroom is None or code_key(one.question.storeroom) == code_key(wanted.storeroom)


def _answer(before: _Scene, after: _Scene, lifetimes: tuple[InUse, ...], wanted: WhatIfRequest) -> FleetAnswer:
    was, would_be = (_ahead(scene, lifetimes, wanted) for scene in (before, after))
    plant = replace(after.asked.plant, questions=tuple(one.question for one in after.stock))
    decisions = decisions_ahead(plant, would_be)
    return FleetAnswer(
        rows=[
            FleetRow(
                storeroom=one.question.storeroom,
                kit=one.question.kit,
                decided=decision is not None,
                what_if=levels(
                    reorder_row(one, decision, as_of=after.asked.as_of, history_days=after.asked.history_days)
                ),
            )
            for one in after.stock
            for decision in [decisions.get((one.question.storeroom, one.question.kit))]
        ],
        demand=_demand(was, would_be, after),
    )


def _ahead(scene: _Scene, lifetimes: tuple[InUse, ...], wanted: WhatIfRequest) -> KitsAhead:
    """Forecast the valves of the storeroom asked about whose designs take any of the kits."""
    asked, taken = scene.asked, scene.asked.register.kits
    tags = frozenset(tag for tag, design in asked.plant.designs.items() if taken[design] & scene.kits)
    if wanted.storeroom is not None:
        served = {code_key(code): own for code, own in valves_by_storeroom(asked.inputs, asked.register).items()}
        tags &= served.get(code_key(wanted.storeroom), frozenset())
    plant = replace(
        asked.plant, windows=(YEAR,), parts={ASKED: tags}, questions=tuple(one.question for one in scene.stock)
    )
    those = replace(scene.stand, ages=tuple(age for age in scene.stand.ages if age.valve in tags))
    return kits_ahead(plant, those, lifetimes)


def _demand(was: KitsAhead, would_be: KitsAhead, after: _Scene) -> list[WhatIfDemand]:
    earlier, later = _by_kit(was, after.kits), _by_kit(would_be, after.kits)
    as_of = after.asked.as_of
    left_out = without_turnaround(after.asked.inputs, after.asked.register, as_of=as_of)
    rows = []
    for kit in sorted(earlier.keys() | later.keys()):
        unknown = would_be.not_forecast.get(kit, frozenset())
        said = [f"{counted(len(unknown), 'valve')} left out: no lifetime is known"] if unknown else []
        computed, what_if = _need(earlier.get(kit)), _need(later.get(kit))
        rows.append(
            WhatIfDemand(
                kit=kit,
                starts_on=as_of + timedelta(days=1),
                ends_on=as_of + timedelta(days=int(YEAR[1])),
                computed=computed,
                what_if=what_if,
                change=change_of_need(computed, what_if),
                reason="; ".join([*said, *left_out.get(kit, [])]) or None,
            )
        )
    return rows


def _by_kit(ahead: KitsAhead, kits: frozenset[str]) -> Mapping[str, Demand]:
    return {kit: by_window[YEAR] for (part, kit), by_window in ahead.demand.items() if part == ASKED and kit in kits}


def _need(demand: Demand | None) -> WhatIfNeed:
    """Lay out a demand; nothing where nothing takes the kit."""
    names = WhatIfNeed.__struct_fields__
    if demand is None:
        return WhatIfNeed(**dict.fromkeys(names, 0))
    columns = demand_columns(demand)
    return msgspec.convert({name: columns[name] for name in names}, WhatIfNeed)
