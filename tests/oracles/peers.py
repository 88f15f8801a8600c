"""What other packages fit to the same lives: lifelines, surpyval, scipy, statsmodels; only in their own environment.

Each gives scale and shape as ours: exp(mu) and 1 / sigma.
"""

from collections.abc import Callable, Iterator
from importlib import import_module
from typing import Any

import numpy as np

PEERS = ("lifelines==0.30.3", "surpyval==0.25", "scipy==1.17.1", "statsmodels==0.15.0", "stockpyl==1.0.2")
FAMILIES = ("exponential", "weibull", "lognormal", "loglogistic")
LIFELINES = {
    "exponential": ("ExponentialFitter", "lambda_", ""),
    "weibull": ("WeibullFitter", "lambda_", "rho_"),
    "lognormal": ("LogNormalFitter", "mu_", "sigma_"),
    "loglogistic": ("LogLogisticFitter", "alpha_", "beta_"),
}
SURPYVAL = {"exponential": "Exponential", "weibull": "Weibull", "lognormal": "LogNormal", "loglogistic": "LogLogistic"}
SCIPY = {"exponential": "expon", "weibull": "weibull_min", "lognormal": "lognorm", "loglogistic": "fisk"}
Fitted = tuple[float, float]


def _lifelines(family: str, entry: Any, lower: Any, upper: Any) -> Fitted:
    name, first, second = LIFELINES[family]
    fitter = getattr(import_module("lifelines"), name)()
    exact, running, late = lower == upper, np.isinf(upper), entry if entry.any() else None
    if (exact | running).all():
        fit = fitter.fit(lower, ~running, entry=late)
    elif (exact | (lower == 0.0)).all() and late is None and not running.any():
        fit = fitter.fit_left_censoring(upper, exact)
    else:
        fit = fitter.fit_interval_censoring(lower, upper, entry=late)
    scale, shape = float(getattr(fit, first)), float(getattr(fit, second)) if second else 1.0
    return (float(np.exp(scale)), 1.0 / shape) if family == "lognormal" else (scale, shape)


def _surpyval(family: str, entry: Any, lower: Any, upper: Any) -> Fitted:
    late = {"tl": entry} if entry.any() else {}
    fit = getattr(import_module("surpyval"), SURPYVAL[family]).fit(xl=lower, xr=upper, **late)
    if family == "exponential":
        return 1.0 / float(fit.params[0]), 1.0
    scale, shape = (float(value) for value in fit.params)
    return (float(np.exp(scale)), 1.0 / shape) if family == "lognormal" else (scale, shape)


def _scipy(family: str, entry: Any, lower: Any, upper: Any) -> Fitted | None:
    if entry.any():
        return None
    peer = import_module("scipy.stats")
    exact, running = lower == upper, np.isinf(upper)
    left = ~exact & ~running & (lower == 0.0)
    between = np.stack([lower, upper], axis=1)[~exact & ~running & ~left]
    data = peer.CensoredData(uncensored=lower[exact], left=upper[left], right=lower[running], interval=between)
    *shape, _, scale = (float(value) for value in getattr(peer, SCIPY[family]).fit(data, floc=0))
    if not shape:
        return scale, 1.0
    return scale, 1.0 / shape[0] if family == "lognormal" else shape[0]


def _statsmodels(family: str, entry: Any, lower: Any, upper: Any) -> Fitted | None:
    """It has no censored lifetimes; its generic model climbs a likelihood of our own writing."""
    running = np.isinf(upper)
    if family != "weibull" or not ((lower == upper) | running).all():
        return None
    model = import_module("statsmodels.base.model").GenericLikelihoodModel

    class Weibull(model):  # type: ignore[misc, valid-type]
        def loglike(self, params: Any) -> float:
            scale, shape = np.exp(params)
            log_hazard = np.log(shape / scale) + (shape - 1.0) * np.log(lower[~running] / scale)
            return float(log_hazard.sum() + ((entry / scale) ** shape - (lower / scale) ** shape).sum())

    start = np.array([np.log(lower.mean()), 0.0])
    made = Weibull(lower, np.ones((len(lower), 2))).fit(
        start_params=start, method="bfgs", disp=False, maxiter=1000, gtol=1e-7, skip_hessian=True
    )
    scale, shape = np.exp(made.params)
    return float(scale), float(shape)


FITTED_BY: dict[str, Callable[[str, Any, Any, Any], Fitted | None]] = {
    "lifelines": _lifelines,
    "surpyval": _surpyval,
    "scipy": _scipy,
    "statsmodels": _statsmodels,
}


def product_limit(entry: Any, lower: Any, upper: Any) -> Iterator[tuple[float, float]]:
    """Age and share failed by statsmodels' product-limit estimate."""
    peer = import_module("statsmodels.duration.survfunc")
    made = peer.SurvfuncRight(lower, np.isfinite(upper).astype(int), entry=entry if entry.any() else None)
    yield from zip(made.surv_times.tolist(), (1.0 - made.surv_prob).tolist(), strict=True)


def hazard_ratios(entry: Any, lower: Any, upper: Any, inside: Any) -> Iterator[tuple[str, str, float, float]]:
    """Peer, model, log hazard ratio of the marked lives and its standard error."""
    frame = import_module("pandas").DataFrame({
        "entry": entry,
        "lower": lower,
        "upper": upper,
        "inside": inside.astype(float),
        "failed": np.isfinite(upper),
    })
    lifelines = import_module("lifelines")
    aft = lifelines.WeibullAFTFitter()
    late = "entry" if entry.any() else None
    formula = {"formula": "inside", "entry_col": late}
    ranged = (frame.lower < frame.upper) & frame.failed
    if ranged.any():
        made = aft.fit_interval_censoring(frame.drop(columns="failed"), "lower", "upper", **formula)
    else:
        made = aft.fit(frame.drop(columns="upper"), "lower", "failed", **formula)
    shape = float(np.exp(made.params_["rho_", "Intercept"]))
    yield "lifelines", "weibull", -shape * float(made.params_["lambda_", "inside"]), float("nan")
    if ranged.any():
        return
    cox = lifelines.CoxPHFitter().fit(frame.drop(columns="upper"), "lower", "failed", entry_col=late, formula="inside")
    yield "lifelines", "cox", float(cox.params_["inside"]), float(cox.standard_errors_["inside"])
    phreg = import_module("statsmodels.duration.hazard_regression").PHReg
    peer = phreg(frame.lower, frame[["inside"]], status=frame.failed.astype(int), entry=frame.entry, ties="efron").fit()
    yield "statsmodels", "cox", float(peer.params[0]), float(peer.bse[0])
