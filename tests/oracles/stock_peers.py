"""What stockpyl gives for two hundred cases of stock: writes oracle_stock.csv, as `make oracles` does."""

import warnings
from collections.abc import Iterator
from importlib import import_module
from importlib.metadata import version

from tests.oracles.recompute import in_environment, write
from tests.oracles.stock_cases import StockCase, stock_cases

Row = dict[str, object]


def _solved(case: StockCase) -> tuple[int | str, int | str, float]:
    """Lower level, upper level or quantity, cost."""
    costs = {"holding_cost": case.holding, "stockout_cost": case.waiting}
    if case.kind == "r_q":
        point, quantity, cost = import_module("stockpyl.rq").r_q_poisson_exact(
            **costs, fixed_cost=case.order, demand_mean=case.mean, lead_time=case.lead_time
        )
        return int(point), int(quantity), float(cost)
    pmf = dict(enumerate(case.demand.tolist()))
    if case.kind == "newsvendor":
        level, cost = import_module("stockpyl.newsvendor").newsvendor_discrete(**costs, demand_pmf=pmf)
        return int(level), "", float(cost)
    low, high, cost = import_module("stockpyl.ss").s_s_discrete_exact(
        **costs, fixed_cost=case.order, use_poisson=False, demand_hi=len(pmf) - 1, demand_pmf=list(pmf.values())
    )
    return int(low), int(high), float(cost)


def rows() -> Iterator[Row]:
    """Solve every case."""
    for case in stock_cases():
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            low, high, cost = _solved(case)
        yield {
            "case": case.name,
            "peer": "stockpyl",
            "version": version("stockpyl"),
            "low": low,
            "high": high,
            "cost": f"{cost:.12g}",
        }


def main() -> None:
    """Write the table."""
    if in_environment("tests.oracles.stock_peers"):
        write("oracle_stock.csv", list(rows()))


if __name__ == "__main__":
    main()
