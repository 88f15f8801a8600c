"""How long other packages take for the same fits, beside ours in one process: printed by `make bench`.

The peers fit class after class, the first of them only; their time for all is that, multiplied. Ours fits all at once.
"""

import platform
import time
from collections.abc import Callable
from importlib import import_module
from importlib.metadata import version
from typing import Any

import numpy as np

from forecasting.fitting import fit_weibull
from forecasting.lives import Lives
from tests.benchmarks.bench_fitting import CLASSES, LIVES_EACH, entered_late, right_censored, seconds_to_fit
from tests.oracles.recompute import in_environment

TIMED = 30
"""So many of the classes are fitted by the peers."""


def _lifelines(lower: Any, failed: Any, entry: Any) -> tuple[float, float]:
    fit = import_module("lifelines").WeibullFitter().fit(lower, failed, entry=entry if entry.any() else None)
    return float(fit.lambda_), float(fit.rho_)


def _surpyval(lower: Any, failed: Any, entry: Any) -> tuple[float, float]:
    late = {"tl": entry} if entry.any() else {}
    fit = import_module("surpyval").Weibull.fit(x=lower, c=(~failed).astype(np.int64), **late)
    return float(fit.params[0]), float(fit.params[1])


PEERS: dict[str, Callable[[Any, Any, Any], tuple[float, float]]] = {"surpyval": _surpyval, "lifelines": _lifelines}


def seconds_by_class(lives: Lives, fitted: Callable[[Any, Any, Any], tuple[float, float]]) -> float:
    """Processor time a class, and that what was fitted is what ours gives."""
    rows = [np.flatnonzero(lives.sample == number) for number in range(TIMED + 1)]
    told = [(lives.lower[own], np.isfinite(lives.upper[own]), lives.entry[own]) for own in rows]
    fitted(*told[TIMED])  # the first call imports and compiles
    begin = time.process_time()
    found = np.array([fitted(*one) for one in told[:TIMED]])
    taken = time.process_time() - begin
    ours = fit_weibull(lives)
    off = np.abs(found / np.stack([ours.scale, ours.shape], axis=1)[:TIMED] - 1.0).max()
    print(f"    largest relative difference from ours: {off:.1e}")
    return taken / TIMED


def main() -> None:
    """Print times and ratios."""
    if not in_environment("tests.oracles.time_peers"):
        return
    print(f"Peers, Python {platform.python_version()}, numpy {np.__version__}, {platform.machine()}")
    print(f"processor time for {CLASSES:,} classes of {LIVES_EACH}; peers: that of the first {TIMED}, multiplied")
    for name, lives in (
        ("right-censored", right_censored(CLASSES, LIVES_EACH)),
        ("half entered late", entered_late(CLASSES, LIVES_EACH)),
    ):
        ours = seconds_to_fit(lives)
        print(f"{name}: ours {1e3 * ours:.2f} ms")
        for peer, fitted in PEERS.items():
            whole = CLASSES * seconds_by_class(lives, fitted)
            print(f"    {peer} {version(peer)}: {whole:.1f} s, {whole / ours:,.0f} times ours")


if __name__ == "__main__":
    main()
