"""Two hundred cases of stock against what stockpyl gives, stored by `make oracles`."""

import csv
from pathlib import Path

import numpy as np
import pytest

from forecasting.min_max import least_cost_min_max
from forecasting.order_costs import StockCosts, cost_rate, least_cost_policy, level_costs
from forecasting.policy_tables import base_stock_levels
from tests.oracles.stock_cases import StockCase, stock_cases

REFERENCE = Path(__file__).parents[1] / "reference" / "oracle_stock.csv"
LOWEST = -120


def stored() -> dict[str, dict[str, str]]:
    with REFERENCE.open(encoding="utf-8", newline="") as file:
        return {row["case"]: row for row in csv.DictReader(file)}


TOLD = stored()
CASES = list(stock_cases())


def costs_of(case: StockCase) -> StockCosts:
    return StockCosts(order=case.order, holding=case.holding, waiting=case.waiting)


def of_kind(kind: str) -> list[StockCase]:
    return [case for case in CASES if case.kind == kind]


def test_every_case_is_stored() -> None:
    assert [case.name for case in CASES] == list(TOLD)
    assert len(TOLD) == 200


@pytest.mark.parametrize("case", of_kind("r_q"), ids=lambda case: case.name)
def test_reorder_point_and_quantity(case: StockCase) -> None:
    """Exact Poisson policies: the same pair at the same cost."""
    told = TOLD[case.name]
    made = least_cost_policy(case.demand, costs=costs_of(case), yearly=case.mean, most=400, lowest=LOWEST)
    assert (made.reorder_point, made.order_quantity) == (int(told["low"]), int(told["high"]))
    assert made.cost == pytest.approx(float(told["cost"]), rel=1e-9)


@pytest.mark.parametrize("case", of_kind("newsvendor"), ids=lambda case: case.name)
def test_single_stock(case: StockCase) -> None:
    """The level of the critical ratio, at what it costs without ordering."""
    told, level = TOLD[case.name], int(TOLD[case.name]["low"])
    ratio = case.waiting / (case.waiting + case.holding)
    assert base_stock_levels(case.demand[None], targets=np.array([ratio])).tolist() == [level]
    costs = StockCosts(order=0.0, holding=case.holding, waiting=case.waiting)
    got = cost_rate(case.demand, reorder_point=level - 1, order_quantity=1, costs=costs, yearly=case.mean)
    assert got == pytest.approx(float(told["cost"]), rel=1e-9)


@pytest.mark.parametrize("case", of_kind("s_s"), ids=lambda case: case.name)
def test_minimum_and_maximum(case: StockCase) -> None:
    told, levels = TOLD[case.name], np.arange(LOWEST, 160)
    level_cost = level_costs(case.demand, levels=levels, costs=costs_of(case), yearly=case.mean)
    made = least_cost_min_max(case.demand, level_cost=level_cost, lowest=LOWEST, order_cost=case.order)
    assert made.cost == pytest.approx(float(told["cost"]), rel=1e-9)
    assert (made.minimum, made.maximum) == (int(told["low"]), int(told["high"]))
