"""Which target a kit is stocked by, and what being short of it costs: as set, by consequence, or assumed."""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from forecasting.stocking import Rule
from service.schemas.records import ConsequenceTargetRecord, StockSettingRecord

WORST_FIRST = ("stops", "curtails", "tolerable")


@dataclass(frozen=True, kw_only=True)
class Target:
    """Rule and target, where they come from, and what a kit asked for and missing costs (None: nobody says)."""

    rule: Rule
    target: float
    source: str
    shortage_cost: Decimal | None


def _stated(
    rule: str | None, target: float | None, source: str, *, costs_known: bool
) -> tuple[Rule, float, str] | str | None:
    """Rule and target as far as they can be followed; a text says why not, None that nothing is stated."""
    if rule == Rule.LEAST_COST:
        return (
            (Rule.LEAST_COST, 0.0, source)
            if costs_known
            else (f"the {source} names the rule least_cost, which needs the kit's price and the cost of a failure")
        )
    if target is not None:
        return Rule(rule or Rule.CYCLE), target, source
    return None if rule is None else f"the {source} names the rule {rule} without a target"


def target_of(
    setting: StockSettingRecord | None,
    by_consequence: Mapping[str, ConsequenceTargetRecord],
    *,
    consequence: str,
    priced: bool,
    assumed: Mapping[str, float],
) -> Target:
    """Choose rule and target: of the kit in its storeroom, else of the worst consequence, else assumed.

    Parameters
    ----------
    setting : StockSettingRecord or None
        Of the kit in its storeroom.
    by_consequence : mapping from consequence to ConsequenceTargetRecord
        As imported.
    consequence : str
        The worst among the valves served.
    priced : bool
        Whether the kit's price is known.
    assumed : mapping from consequence to float
        Cycle service levels.

    Returns
    -------
    Target
        With its source in words.
    """
    general = by_consequence.get(consequence)
    cost = None if general is None else general.cost_of_failure
    known = priced and bool(cost)
    doubts = []
    for record, source in ((setting, "stock setting"), (general, f"target of consequence {consequence}")):
        if record is None:
            continue
        stated = _stated(record.rule, record.target, source, costs_known=known)
        if isinstance(stated, str):
            doubts.append(stated)
        elif stated is not None:
            rule_now, level, said = stated
            return Target(rule=rule_now, target=level, source=_with(said, doubts), shortage_cost=cost)
    said = _with(f"assumed for consequence {consequence}", doubts)
    return Target(rule=Rule.CYCLE, target=assumed[consequence], source=said, shortage_cost=cost)


def _with(source: str, doubts: list[str]) -> str:
    return f"{source} ({'; '.join(doubts)})" if doubts else source
