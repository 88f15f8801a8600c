"""What the budget of a turnaround rests on: models, prices, what is assumed, what is left out."""

from collections.abc import Iterator

from forecasting.found_on_opening import chance_found
from forecasting.lifetime_points import POINTS
from service.result_rows import METHOD
from service.schemas.results import rounded
from service.schemas.turnarounds import BasisOut, FindOut, PlannedModelOut, PriceOut
from service.translate_budget_conventions import conventions
from service.translate_results import counted
from service.translate_scope import ValveAtWindow
from service.translate_scope_lines import ChosenScope
from service.translate_stands import ON_RUN_DAYS
from service.translate_windows import TurnaroundWindow
from service.turnaround_planning import Planning

PRICE_SPREAD = 0.1
"""Standard deviation of the logarithm of all prices and hours together (our convention)."""
MOST_NAMED = 5


def basis_of(planning: Planning, window: TurnaroundWindow, chosen: ChosenScope) -> BasisOut:
    """Say what a budget rests on.

    Parameters
    ----------
    planning : Planning
        Record and lifetimes.
    window : TurnaroundWindow
        The turnaround.
    chosen : ChosenScope
        Its scope.

    Returns
    -------
    BasisOut
        Part of the document that is signed.
    """
    prices = _prices(planning, chosen)
    return BasisOut(
        as_of=planning.asked.as_of,
        method=METHOD,
        models=_models(planning, chosen),
        finds=list(_finds(planning, chosen)),
        prices=prices,
        conventions=conventions(
            prices, planning.asked.inputs.closures, as_of=planning.asked.as_of, starts_on=window.starts_on
        ),
        assumptions=[*window.assumed, *_assumptions(chosen)],
        exclusions=list(_exclusions(planning, chosen)),
    )


def _models(planning: Planning, chosen: ChosenScope) -> list[PlannedModelOut]:
    samples = sorted({(one.service_class, item) for one in chosen.valves for item in one.items})
    return [
        PlannedModelOut(
            service_class=sample[0],
            maintainable_item=sample[1],
            family=used.lifetime.family.value,
            scale_days=rounded(used.lifetime.scale),
            shape=rounded(used.lifetime.shape),
            source=used.source.value,
        )
        for sample in samples
        if (used := planning.in_use.get(sample)) is not None and used.lifetime is not None
    ]


def _finds(planning: Planning, chosen: ChosenScope) -> Iterator[FindOut]:
    """Say how often openings found each item bad, where any opening of the record tells."""
    told = {one.item for one in planning.openings}
    kinds = {
        (one.service_class, need.item)
        for one in chosen.valves
        for need in one.work.needs
        if need.item in told and not need.on_opening
    }
    for service_class, item in sorted(kinds):
        chance = chance_found(planning.openings, item=item, service_class=service_class, found_before="")
        yield FindOut(
            service_class=service_class,
            maintainable_item=item,
            openings=chance.seen,
            found=chance.seen_found,
            chance=rounded(chance.mean),
        )


def _prices(planning: Planning, chosen: ChosenScope) -> list[PriceOut]:
    kits = sorted({need.kit for one in chosen.valves if not one.work.missing for need in one.work.needs})
    known = [planning.works.kits[kit] for kit in kits if kit in planning.works.kits]
    return [
        PriceOut(kit=kit.code, unit_cost=kit.unit_cost, priced_on=kit.priced_on)
        for kit in known
        if kit.unit_cost is not None
    ]


def _assumptions(chosen: ChosenScope) -> Iterator[str]:
    yield (
        f"prices and hours are off together, by a factor whose logarithm has a standard deviation of {PRICE_SPREAD:g}; "
        "kits are due on the first day, everything else on the last"
    )
    yield (
        f"failures are reckoned at {POINTS} equally likely sets of parameters that the valves of a class share; "
        "classes have nothing in common"
    )
    yield (
        "an item whose age isn't known has a distribution of ages, by its own lifetime; what can be isolated on the "
        f"run is renewed in the turnaround only if leaving it {ON_RUN_DAYS:g} days more doesn't pay"
    )
    yield (
        "a failure costs what the rebuild costs of its design say, or a planned renewal and the cost_of_failure of its "
        "consequence where that is stated and more"
    )
    unsaid = [one for one in chosen.valves if one.record.isolable_on_run is None]
    if unsaid:
        yield f"isolable_on_run isn't stated for {_valves(unsaid)}: what fails there is taken to wait"


def _exclusions(planning: Planning, chosen: ChosenScope) -> Iterator[str]:
    """Name what isn't in the budget."""
    uncosted = [one for one in chosen.valves if one.work.missing]
    opened = [one for one in uncosted if one.record.tag in chosen.opened]
    if uncosted:
        missing = sorted({text for one in uncosted for text in one.work.missing})
        why = "; ".join(missing[:MOST_NAMED]) + ("; and more" if len(missing) > MOST_NAMED else "")
        yield f"{_valves(uncosted)} whose costs aren't known, {len(opened)} of them in the scope: {why}"
    unknown = sorted({
        f"{one.service_class}, {item}"
        for one in chosen.valves
        for item, stand in one.items.items()
        if stand.where is None and not stand.failed
    })
    if unknown:
        yield f"failures of items whose lifetime isn't known: {'; '.join(unknown[:MOST_NAMED])}"
    items = {need.item for one in chosen.valves for need in one.work.needs if not need.on_opening}
    unseen = sorted(items - {one.item for one in planning.openings})
    if unseen:
        yield f"finds of {', '.join(unseen)} on opening: no opening of the record tells how often they are found worn"
    stops = [one for one in chosen.valves if not one.on_run and not one.waits]
    if stops:
        yield f"failures of {_valves(stops)} that stop the plant before the turnaround: they don't wait for it"
    yield "what fails and is rebuilt on the run: that is running spend"
    yield "price rises, taxes, transport, scaffolding and cranes beyond what the planned costs hold"


def _valves(some: list[ValveAtWindow]) -> str:
    named = ", ".join(one.record.tag for one in some[:MOST_NAMED])
    more = f" and {len(some) - MOST_NAMED} more" if len(some) > MOST_NAMED else ""
    return f"{counted(len(some), 'valve')} ({named}{more})"
