"""How long stock levels of 10,000 kits take, in cumulative sums over the same table and beside stockpyl: `make bench`.

Everything in one process of the peers' environment, processor time, first call dropped, the least of seven.
"""

import platform
import time
import warnings
from collections.abc import Callable
from importlib import import_module
from importlib.metadata import version

import numpy as np
from scipy.special import gammaln

from forecasting.arrays import FloatArray
from forecasting.policy_tables import base_stock_levels, least_cost_policies
from tests.oracles.recompute import in_environment

KITS, WIDTH, REPEATS = 10_000, 128, 7
TIMED = 24
"""So many of the kits are solved by the peer, the first of them; its time for all is that, multiplied."""
LEAD_TIME = 0.25


def least_seconds(run: Callable[[], object]) -> float:
    """Processor time of the fastest of several calls, after one that doesn't count."""
    run()
    taken = []
    for _ in range(REPEATS):
        begin = time.process_time()
        run()
        taken.append(time.process_time() - begin)
    return min(taken)


def kits() -> dict[str, FloatArray]:
    """Skewed demands and prices: Poisson with a median of 1.6 in the lead time, at most 60."""
    rng = np.random.default_rng(10_000)
    mean = np.exp(rng.normal(0.5, 1.1, KITS)).clip(0.02, 60.0)
    counts = np.arange(WIDTH)
    holding = np.exp(rng.normal(4.0, 1.0, KITS))
    return {
        "table": np.exp(counts * np.log(mean)[:, None] - mean[:, None] - gammaln(counts + 1.0)),
        "order": rng.uniform(20.0, 200.0, KITS),
        "holding": holding,
        "waiting": holding * rng.uniform(3.0, 50.0, KITS),
        "yearly": mean / LEAD_TIME,
    }


def seconds_by_peer(drawn: dict[str, FloatArray]) -> list[float]:
    """Processor time of each kit, having made sure that the answers agree."""
    solve = import_module("stockpyl.rq").r_q_poisson_exact
    ours, taken = least_cost_policies(**drawn), []
    for row in range(TIMED + 1):
        begin = time.process_time()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            point, quantity, cost = solve(
                holding_cost=float(drawn["holding"][row]),
                stockout_cost=float(drawn["waiting"][row]),
                fixed_cost=float(drawn["order"][row]),
                demand_mean=float(drawn["yearly"][row]),
                lead_time=LEAD_TIME,
            )
        taken.append(time.process_time() - begin)
        if (point, quantity) != (ours.reorder_point[row], ours.order_quantity[row]):
            print(f"    kit {row}: peer ({point}, {quantity}) at {cost:.9g}, ours at {ours.cost[row]:.9g}")
    return taken[1:]


def main() -> None:
    """Print times and ratios."""
    if not in_environment("tests.benchmarks.bench_stocking"):
        return
    drawn, targets = kits(), np.full(KITS, 0.95)
    print(
        f"Python {platform.python_version()}, numpy {np.__version__}, stockpyl {version('stockpyl')}, "
        f"{platform.machine()}; {KITS:,} kits, distributions of {WIDTH}"
    )
    floor = least_seconds(lambda: np.cumsum(drawn["table"], axis=1))
    base = least_seconds(lambda: base_stock_levels(drawn["table"], targets=targets))
    policies = least_seconds(lambda: least_cost_policies(**drawn))
    peer = np.array(seconds_by_peer(drawn))
    print(f"one cumulative sum over the table        {1e3 * floor:8.2f} ms")
    print(f"base stock                               {1e3 * base:8.2f} ms, {base / floor:.2f} sums (goal 2)")
    print(f"reorder point and quantity               {1e3 * policies:8.2f} ms (goal 100)")
    # the mean is what all of them would take; the median, which a few slow kits don't move, is a kit as most are
    for word, each in (("the mean (goal 2,000)", float(peer.mean())), ("the median kit", float(np.median(peer)))):
        ratio = each * KITS / policies
        print(f"stockpyl, exact Poisson, {TIMED} kits, by {word}: {each * KITS:.0f} s for all, {ratio:,.0f} times ours")


if __name__ == "__main__":
    main()
