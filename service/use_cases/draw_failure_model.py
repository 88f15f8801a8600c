"""The probability plot of a failure model, drawn from what its run stored."""

from collections.abc import Iterator

import msgspec

from forecasting.errors import InsufficientData
from models.engine import Engines
from service.plots import PlotData, draw_plot
from service.schemas.results import FailureModelOut, StoredIntervals
from service.use_cases.read_result import read_failure_model


def draw_failure_model(engines: Engines, *, run_id: int | None, service_class: str, maintainable_item: str) -> str:
    """Draw how long an item lasts in a service class: what was seen, and the fitted line.

    Parameters
    ----------
    engines : Engines
        The database.
    run_id : int or None
        Which run; None is the latest finished.
    service_class, maintainable_item : str
        Codes.

    Returns
    -------
    str
        An SVG document.

    Raises
    ------
    InsufficientData
        If the run has nothing to plot of this model.
    """
    model = read_failure_model(engines, run_id=run_id, service_class=service_class, maintainable_item=maintainable_item)
    drawn = draw_if_any(model)
    if drawn is None:
        raise InsufficientData(f"not enough data: no life of {service_class} {maintainable_item} to plot")
    return drawn


def draw_if_any(model: FailureModelOut) -> str | None:
    """Draw a model that was read already.

    Parameters
    ----------
    model : FailureModelOut
        With what its run stored.

    Returns
    -------
    str or None
        An SVG document; None if there is nothing to plot.
    """
    stored = model.details.get("plot")
    if stored is None:
        return None
    data = msgspec.convert(stored, PlotData)
    return draw_plot(data, title=f"{model.maintainable_item} in {model.service_class}", caption=_caption(model, data))


def _caption(model: FailureModelOut, data: PlotData) -> str:
    failures = "1 failure" if model.failures == 1 else f"{model.failures} failures"
    said = [_fitted(model), f"{failures} among {model.lives} lives."]
    if data.survived_to_days:
        said.append(
            f"Few were watched before {data.survived_to_days:,.6g} days, so the points begin there, on the fitted line."
        )
    if data.seen_to_days is not None:
        said.append(f"At {data.seen_to_days:,.6g} days all then watched had failed, so the points end before.")
    if data.points:
        said += _points_told(model, data)
    if data.band:
        said.append(_band_told(model))
    if data.reason:
        said.append(f"No points: {data.reason}.")
    if isinstance(model.notice, str):
        said.append(f"{model.notice[:1].upper()}{model.notice[1:].rstrip('.')}.")
    return " ".join(said)


def _fitted(model: FailureModelOut) -> str:
    if model.family is None or model.scale_days is None or model.shape is None:
        return "No lifetime could be fitted."
    median = model.details.get("median_days")
    ages = [f"10 % have failed by {model.b10_days:,.4g} days" if model.b10_days is not None else ""]
    ages.append(f"half by {median:,.4g}" if isinstance(median, float | int) else "")
    told = f"{model.family.capitalize()} lifetime, scale {model.scale_days:,.4g} days, shape {model.shape:.3g}"
    return f"{told}: {' and '.join(age for age in ages if age)}."


def _points_told(model: FailureModelOut, data: PlotData) -> Iterator[str]:
    if any(begin < age for begin, age, *_ in data.points):
        yield "A bar across marks failures known to lie in an interval."
    masked = model.details.get("cause_masked")
    if isinstance(masked, int) and masked:
        lives, ran = ("One life", "it was") if masked == 1 else (f"{masked} lives", "they were")
        yield f"{lives} ended in a failure whose item isn't said: to the points {ran} running on, so they may lie low."
    yield "Vertical bars are pointwise 95 % limits of the share failed, no lifetime distribution assumed."


def _band_told(model: FailureModelOut) -> str:
    stored = msgspec.convert(model.details["intervals"], StoredIntervals)
    own = ""
    if model.mle_scale_days is not None and model.mle_shape is not None:
        own = f" (Weibull, scale {model.mle_scale_days:,.4g} days, shape {model.mle_shape:.3g})"
    level = "" if stored.level is None else f" {100.0 * stored.level:g} %"
    return f"The shaded band is pointwise{level} limits of this class alone{own}, by {stored.method}."
