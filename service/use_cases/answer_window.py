"""Compute demand in days that no run stored, from what the run read; this is done in a process of its own."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from forecasting.clocks import ItemAge
from forecasting.consumption import TakeUp, Window
from forecasting.demand import Demand
from forecasting.issue_demand import issue_demand
from forecasting.pipeline import KitsAhead, Plant, Standing, kits_ahead, standing
from forecasting.pooling import InUse
from forecasting.reasons import ValveNeed, needs_of_valves
from models.base import code_key
from models.engine import Engines
from models.queries import results, run_inputs, run_log
from service.db import read_session
from service.run_inputs import Asked, asked_of, unpacked
from service.run_models import fitted_again
from service.schemas.windows import ValvePart, WindowAnswer, WindowQuestion
from service.translate_demand import PART, Period, demand_columns
from service.translate_issues import untold_kinds
from service.translate_turnarounds import without_turnaround

MODELS_READ = 100_000
ASKED = ":asked"
"""Name of the valves asked about, among the parts of the plant."""


@dataclass(frozen=True, kw_only=True)
class _Scene:
    """A run's record made ready for one question."""

    question: WindowQuestion
    asked: Asked
    window: Window
    kit: str
    stand: Standing
    lifetimes: tuple[InUse, ...]
    valves: frozenset[str]


def answer_window(engines: Engines, question: WindowQuestion) -> WindowAnswer:
    """Answer from what the run read, at its data cut-off, whatever the record is now.

    Parameters
    ----------
    engines : Engines
        The database.
    question : WindowQuestion
        Days after the run's cut-off and up to its horizon.

    Returns
    -------
    WindowAnswer
        The demand, and the valves it is made of; what they expect sums to its mean.

    Raises
    ------
    NotFound
        If what the run read is no longer kept.
    """  # noqa: DOC502 (comes from the query)
    with read_session(engines) as session:
        run = run_log.get_run(session, question.run)
        packed = run_inputs.run_input(session, run)
        models = results.failure_models(session, run.id, service_class=None, after=0, limit=MODELS_READ)
    asked = asked_of(unpacked(packed), as_of=run.as_of)
    window = Period(bucket="", starts_on=question.starts_on, ends_on=question.ends_on).window(run.as_of)
    asked = replace(asked, plant=replace(asked.plant, windows=(window,), questions=(), looks=None))
    stand = standing(asked.plant)
    scene = _Scene(
        question=question,
        asked=asked,
        window=window,
        kit=_as_written(question.kit, asked),
        stand=stand,
        lifetimes=fitted_again(stand, models),
        valves=_valves(question, asked.plant),
    )
    ahead = _ahead(scene)
    demand = ahead.demand.get((ASKED, scene.kit))
    return _from_issues(scene) if demand is None else _from_valves(scene, ahead.taken, demand[window])


def _as_written(kit: str, asked: Asked) -> str:
    """Find how the record writes a kit's code."""
    taken = (kit for kits in asked.register.kits.values() for kit in kits)
    codes = {code_key(code): code for code in (*(one.kit for one in asked.plant.issues), *taken)}
    return codes.get(code_key(kit), kit)


def _valves(question: WindowQuestion, plant: Plant) -> frozenset[str]:
    """Find the valves of the part of the plant that is asked about."""
    parts = (
        (question.area, question.area),
        (question.storeroom, PART.format(word="storeroom", code=question.storeroom)),
        (question.service_class, PART.format(word="service_class", code=question.service_class)),
    )
    by_name = {code_key(name): tags for name, tags in (*plant.areas.items(), *plant.parts.items())}
    name = next((name for code, name in parts if code), None)
    return frozenset(plant.designs) if name is None else by_name.get(code_key(name), frozenset())


def _ahead(scene: _Scene) -> KitsAhead:
    """Forecast the kits of the valves asked about, as far as their designs take the kit."""
    plant, stand = scene.asked.plant, scene.stand
    designs = {design for design, kits in scene.asked.register.kits.items() if scene.kit in kits}
    ours = {tag for tag in scene.valves if plant.designs[tag] in designs}
    asked = replace(plant, parts={ASKED: scene.valves})
    those = replace(stand, ages=tuple(age for age in stand.ages if age.valve in ours))
    return kits_ahead(asked, those, scene.lifetimes)


def _from_valves(scene: _Scene, taken: Sequence[TakeUp], demand: Demand) -> WindowAnswer:
    takers = [one for one in taken if one.kit == scene.kit]
    needs = needs_of_valves(takers, scene.window, valves=scene.valves)
    # what is expected is in coarse cells, demand in fine ones: they differ in the last digits
    share = demand.mean / (sum(need.expected for need in needs) or 1.0)
    said = without_turnaround(scene.asked.inputs, scene.asked.register, as_of=scene.asked.as_of).get(scene.kit, [])
    reason = "; ".join([*said, *sorted({one.note for one in takers} - {""})]) or None
    ages = {(age.valve, age.item): age for age in scene.stand.ages}
    policies = {(one.service_class, one.maintainable_item): str(one.policy) for one in scene.asked.inputs.policies}
    columns = demand_columns(demand) | {
        "kit": scene.kit,
        "status": "forecast" if reason is None else "incomplete",
        "reason": reason,
        "details": {},
    }
    return WindowAnswer(
        demand=columns, valves=[_part(need, share, ages[need.tag, need.items[0]], policies) for need in needs]
    )


def _part(need: ValveNeed, share: float, age: ItemAge, policies: dict[tuple[str, str], str]) -> ValvePart:
    return ValvePart(
        tag=need.tag,
        maintainable_item="|".join(need.items),
        service_class=age.service_class,
        age_days=age.age,
        policy=policies.get((age.service_class, need.items[0]), "corrective"),
        chance=need.chance,
        expected=share * need.expected,
        unplanned=share * need.unplanned,
        planned=share * need.planned,
        turnaround=share * need.turnaround,
    )


def _from_issues(scene: _Scene) -> WindowAnswer:
    """Answer for a kit that no valve takes, where it was issued."""
    question = scene.question
    if question.area or question.service_class:
        return WindowAnswer(missing="no valve there takes this kit, or none whose lifetime is known")
    for history in scene.asked.plant.issues:
        if history.kit == scene.kit and code_key(history.storeroom) == code_key(question.storeroom):
            alone = issue_demand(history)
            columns = demand_columns(alone.over(scene.window)) | {"kit": scene.kit} | untold_kinds(alone)
            return WindowAnswer(demand=columns)
    return WindowAnswer(missing="no valve there takes this kit, and it was never issued")
