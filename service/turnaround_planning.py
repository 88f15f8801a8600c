"""What turnarounds are planned from: a record, where its items stand, and what is known of their lifetimes."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

from forecasting.clocks import ItemAge
from forecasting.cost_rates import LongRun, MixedLifetime, long_run, mixed
from forecasting.found_on_opening import Opening
from forecasting.lifetime_points import LifetimePoints
from forecasting.pooling import InUse
from service.run_inputs import Asked
from service.translate_works import Works, works_from_records

Policies = Mapping[tuple[str, str], tuple[str, float]]


@dataclass(frozen=True, kw_only=True)
class Planning:
    """What turnarounds are planned from: a record, where its items stand, and what is known of their lifetimes.

    Parameters
    ----------
    asked : Asked
        The record as the run read it.
    ages : tuple of ItemAge [days]
        Of the valves in service.
    lifetimes : tuple of InUse [days]
        One per service class and item.
    points : LifetimePoints [days]
        What is known of them.
    openings : tuple of Opening [openings]
        What openings of the past found.
    reorder_points : mapping from (storeroom, kit) to int [kits]
        What the running need keeps on the shelf.
    """

    asked: Asked
    ages: tuple[ItemAge, ...]
    lifetimes: tuple[InUse, ...]
    points: LifetimePoints
    openings: tuple[Opening, ...]
    reorder_points: Mapping[tuple[str, str], int]
    long_runs: dict[tuple[str, str, float, float], LongRun] = field(default_factory=dict)

    @cached_property
    def works(self) -> Works:
        """What opening a valve of each design takes."""
        return works_from_records(self.asked.inputs, self.asked.register)

    @cached_property
    def in_use(self) -> dict[tuple[str, str], InUse]:
        """Lifetimes by service class and item, those that are known."""
        return {(one.service_class, one.item): one for one in self.lifetimes if one.lifetime is not None}

    @cached_property
    def policies(self) -> Policies:
        """Policy and interval by service class and item."""
        return {
            (one.service_class, one.maintainable_item): (str(one.policy), float(one.interval_days))
            for one in self.asked.inputs.policies
            if one.interval_days
        }

    @cached_property
    def standing(self) -> dict[str, dict[str, ItemAge]]:
        """Ages by valve and item."""
        ages: dict[str, dict[str, ItemAge]] = defaultdict(dict)
        for age in self.ages:
            ages[age.valve][age.item] = age
        return dict(ages)

    @cached_property
    def costs_of_failure(self) -> dict[str, float]:
        """What a failure costs beside its rebuild, by consequence, where that is stated."""
        return {str(one.consequence): float(one.cost_of_failure or 0) for one in self.asked.inputs.consequence_targets}

    def mixed(self, service_class: str, item: str) -> MixedLifetime:
        """Lifetime of an item with its uncertainty."""
        return mixed(self.points.lifetimes[service_class, item])

    def long_run(self, service_class: str, item: str, *, planned: float, unplanned: float) -> LongRun:
        """Cheapest way to keep an item renewed, each found once."""
        key = service_class, item, planned, unplanned
        if key not in self.long_runs:
            lifetime = self.mixed(service_class, item)
            self.long_runs[key] = long_run(lifetime, planned=planned, unplanned=unplanned)
        return self.long_runs[key]
