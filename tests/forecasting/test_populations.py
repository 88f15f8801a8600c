"""A population as numbers of valves by age gives what valve by valve does."""

import numpy as np
import pytest

from forecasting.clocks import ItemAge
from forecasting.consumption import Group, ItemPlan, kits_taken
from forecasting.demand import kit_demand
from forecasting.errors import InvalidInput
from forecasting.lifetimes import Weibull
from forecasting.populations import population_demand

WINDOWS = [(0.0, 90.0), (30.0, 365.0)]


@pytest.mark.parametrize("qty", [1, 2])
def test_ages_in_a_column_give_the_same_demand_as_valve_by_valve(qty: int) -> None:
    """With a planned renewal, so that some kits are sure."""
    seat = Weibull(scale=700.0, shape=2.2)
    plan = ItemPlan(item="seat", lifetime=seat, interval=800.0, kit="K", qty=qty, renews=frozenset({"seat"}))
    ages = np.random.default_rng(0).integers(0, 800, 300) // 40 * 40
    stands = tuple(
        {
            "seat": ItemAge(
                valve=str(number),
                item="seat",
                service_class="",
                age=age,
                survived=age,
                in_place=age,
                awaits_renewal=False,
            )
        }
        for number, age in enumerate(ages.tolist())
    )
    valves = tuple(str(number) for number in range(len(ages)))
    (taken,) = kits_taken(Group(plans=(plan,), valves=valves, ages=stands), WINDOWS)
    found = population_demand(plan, ages, WINDOWS)
    for window in WINDOWS:
        each = kit_demand([taken], window, valves=frozenset(valves))
        assert found[window].probabilities == pytest.approx(each.probabilities, abs=1e-10)
        for kind in ("unplanned", "planned", "turnaround"):
            assert getattr(found[window], kind) == pytest.approx(getattr(each, kind), rel=1e-9)


def test_series_give_what_products_do(monkeypatch: pytest.MonkeyPatch) -> None:
    """A hundred thousand valves: every probability, by series alone and with the product taken row by row."""
    seat = Weibull(scale=700.0, shape=2.2)
    plan = ItemPlan(item="seat", lifetime=seat, interval=np.inf, kit="K", qty=1, renews=frozenset({"seat"}))
    ages = np.random.default_rng(1).integers(0, 900, 100_000)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("forecasting.demand.AT_ONCE", None)
        quick = population_demand(plan, ages, WINDOWS)
    monkeypatch.setattr("forecasting.demand.MANY", 10**9)
    for window, slow in population_demand(plan, ages, WINDOWS).items():
        found, n = quick[window].probabilities, np.arange(len(slow.probabilities))
        told = min(len(found), len(n))  # rounding may tell one count more of a tail of 1e-12
        assert found[:told] == pytest.approx(slow.probabilities[:told], abs=1e-13)
        assert quick[window].mean == pytest.approx(slow.probabilities @ n, rel=1e-9)


@pytest.mark.parametrize("ages", [np.array([-1, 3]), np.array([0.5]), np.array([], dtype=np.int64)])
def test_ages_that_can_not_be_are_refused(ages: np.ndarray) -> None:
    plan = ItemPlan(
        item="seat", lifetime=Weibull(scale=1.0, shape=1.0), interval=1.0, kit="K", qty=1, renews=frozenset({"seat"})
    )
    with pytest.raises(InvalidInput, match="must be whole days"):
        population_demand(plan, ages, WINDOWS)
