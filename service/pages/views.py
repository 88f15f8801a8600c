"""The charts of kits and services, from the rows that the interface gives too."""

import math
from collections.abc import Mapping, Sequence
from datetime import date

import msgspec
from markupsafe import Markup

from service.pages.charts import Axes, Mark, age_axis, calendar_axis, draw, round_labels, steps
from service.plots import PlotData
from service.schemas.results import DemandOut, FailureModelOut

ROOM = 1.1
"""How much higher than what is shown a chart is."""
PER_CENT = (0.01, 0.1, 1, 5, 20, 50, 90, 99)
AGES = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000)
MOST_AGES = 5
"""Labels of ages that fit beneath a chart."""


def demand_fan(periods: Sequence[DemandOut], *, bucket: str) -> Markup | None:
    """Draw how many of a kit each period may take.

    Parameters
    ----------
    periods : sequence of DemandOut
        In order.
    bucket : str
        What a period is: month, quarter or year.

    Returns
    -------
    Markup or None
        None if no period has numbers.
    """
    known = [row for row in periods if row.p10 is not None and row.p90 is not None and row.mean is not None]
    if not known:
        return None
    most = max(1.0, max(float(row.p95 or row.p90 or 0) for row in known)) * ROOM
    axes = calendar_axis(known[0].starts_on, known[-1].ends_on, up=(0.0, most), measured=f"kits a {bucket}")
    marks = [
        _band(known, [row.p10 or 0 for row in known], [row.p95 or row.p90 or 0 for row in known], style="fan-outer"),
        _band(known, [row.p10 or 0 for row in known], [row.p80 or 0 for row in known], style="fan-inner"),
        Mark(kind="line", style="fan-mean", points=_flat(known, [row.mean or 0.0 for row in known])),
    ]
    told = ", ".join(f"{row.starts_on:%Y-%m} {row.mean:.3g} (P10 {row.p10} to P95 {row.p95})" for row in known[:12])
    return draw(axes, marks, said=f"Expected kits a {bucket}, by its first month: {told}.")


def stock_ahead(
    months: Sequence[DemandOut], *, on_hand: int, arriving: Sequence[tuple[date, int]], reorder_point: int | None
) -> Markup | None:
    """Draw what expected demand leaves of a stock if nothing further is ordered; expectations add up, so no range.

    Parameters
    ----------
    months : sequence of DemandOut
        Of the storeroom, in order.
    on_hand : int [kits]
        Now.
    arriving : sequence
        When how many on open orders are due.
    reorder_point : int or None [kits]
        Drawn as a level.

    Returns
    -------
    Markup or None
        None without a forecast.
    """
    known = [row for row in months if row.mean is not None]
    if not known:
        return None
    level, points = float(on_hand), [(float(known[0].starts_on.toordinal()), float(on_hand))]
    for row in known:
        due = sum(qty for at, qty in arriving if at <= row.ends_on and (row is known[0] or at >= row.starts_on))
        level += due - (row.mean or 0.0)
        points.append((float(row.ends_on.toordinal()), level))
    least, most = min(0.0, *(up for _, up in points)), max(1.0, reorder_point or 0, *(up for _, up in points)) * ROOM
    axes = calendar_axis(known[0].starts_on, known[-1].ends_on, up=(least * ROOM, most), measured="kits on the shelf")
    levels = [("zero", 0.0), *([("level", float(reorder_point))] if reorder_point else [])]
    lines = [Mark(kind="line", style=style, points=[(end, up) for end in axes.across]) for style, up in levels]
    said = f"Expected stock, nothing further ordered: {on_hand} now, {level:.3g} at the end of {known[-1].ends_on}."
    return draw(axes, [*lines, Mark(kind="line", style="fan-mean", points=points)], said=said)


def probability(model: FailureModelOut) -> Markup | None:
    """Draw the share failed by age on paper on which a Weibull lifetime is a straight line.

    Parameters
    ----------
    model : FailureModelOut
        With its plot data.

    Returns
    -------
    Markup or None
        None if nothing was seen.
    """
    data = _plot_data(model)
    seen = [] if data is None else [point for point in data.points if 0.0 < point[2] < 1.0]
    if data is None or not seen:
        return None
    axes = _weibull_paper(first=seen[0][1], last=seen[-1][1], lowest=seen[0][2], highest=seen[-1][2])
    lines = [_on_paper(axes, data.line, "fan-mean"), _on_paper(axes, data.own_line, "alone")]
    dots = [(math.log(age), _height(failed)) for _, age, failed, *_ in seen]
    limits = [
        Mark(kind="line", style="seen", points=[(math.log(age), _within(axes, limit)) for limit in (lower, upper)])
        for _, age, _, lower, upper in seen
        if lower is not None and upper is not None
    ]
    told = ", ".join(f"{100.0 * failed:.2g} % by {age:.4g} days" for _, age, failed, *_ in seen[-3:])
    marks = [*limits, *lines, Mark(kind="specks", style="dot", points=dots)]
    return draw(axes, marks, said=f"Share of {model.maintainable_item} failed by age, {len(seen)} points: ... {told}.")


def survival(model: FailureModelOut) -> Markup | None:
    """Draw the share that still runs, by age: seen and fitted.

    Parameters
    ----------
    model : FailureModelOut
        With its plot data.

    Returns
    -------
    Markup or None
        None if there is nothing to draw.
    """
    data = _plot_data(model)
    if data is None:
        return None
    last = max([point[1] for point in data.points] + [age for age, _ in data.line], default=0.0)
    if not last:
        return None
    seen = steps([(data.survived_to_days, 100.0), *((point[1], 100.0 - 100.0 * point[2]) for point in data.points)])
    fitted = [(0.0, 100.0), *((age, 100.0 - 100.0 * failed) for age, failed in data.line)]
    marks = [
        *([Mark(kind="line", style="seen", points=seen)] if data.points else []),
        *([Mark(kind="line", style="fan-mean", points=fitted)] if data.line else []),
    ]
    axes = age_axis(last, most=100.0, measured="per cent still running", along="since renewal")
    half = next((age for age, failed in data.line if failed >= 0.5), None)
    told = "" if half is None else f" Half have failed by about {half:.3g} days."
    return draw(axes, marks, said=f"Share of {model.maintainable_item} still running by age since renewal.{told}")


def mean_cumulative(model: FailureModelOut) -> Markup | None:
    """Draw how often a place has failed on average by the time it has been watched.

    Parameters
    ----------
    model : FailureModelOut
        With the curve its run stored.

    Returns
    -------
    Markup or None
        None if there is nothing to draw.
    """
    stored = model.details.get("mean_cumulative")
    rows = stored.get("points", []) if isinstance(stored, Mapping) else []
    limits = [(age, lower, upper) for age, _, _, lower, upper in rows if lower is not None and upper is not None]
    if not rows:
        return None
    most = max(1e-6, *(row[2] for row in rows), *(upper for _, _, upper in limits)) * ROOM
    mean = Mark(kind="line", style="fan-mean", points=steps([(0.0, 0.0), *((row[0], row[2]) for row in rows)]))
    edges = [*((age, lower) for age, lower, _ in limits), *((age, upper) for age, _, upper in reversed(limits))]
    band = [Mark(kind="area", style="fan-outer", points=edges)] if limits else []
    last = f"{rows[-1][2]:.3g} after {rows[-1][0]:.4g} days watched"
    axes = age_axis(rows[-1][0], most=most, measured="failures of one place so far", along="watched")
    return draw(axes, [*band, mean], said=f"Mean failures of one {model.maintainable_item} so far: {last}.")


def _plot_data(model: FailureModelOut) -> PlotData | None:
    stored = model.details.get("plot")
    return None if stored is None else msgspec.convert(stored, PlotData)


def _weibull_paper(*, first: float, last: float, lowest: float, highest: float) -> Axes:
    ends = (math.log(max(first, 1e-9) / ROOM), math.log(max(last, 1e-9) * ROOM))
    up = (_height(lowest / 2.0), _height(min(0.999, highest**0.5)))
    ages = [float(age) for age in AGES if ends[0] <= math.log(age) <= ends[1]]
    if len(ages) < 2:
        ages = [age for age, _ in round_labels(first, last) if age > 0.0]
    kept = ages[:: math.ceil(max(len(ages), 1) / MOST_AGES)]
    return Axes(
        across=ends,
        up=up,
        labels=[(math.log(age), f"{age:,.10g}") for age in kept],
        heights=[(_height(at / 100.0), f"{at:g}") for at in PER_CENT if up[0] <= _height(at / 100.0) <= up[1]],
        measured="per cent failed (Weibull scale)",
        along="days since renewal (logarithmic)",
    )


def _on_paper(axes: Axes, line: Sequence[tuple[float, float]], style: str) -> Mark:
    """Place ages and shares failed on the paper, without what lies beyond its edges."""
    places = [(math.log(age), _height(failed)) for age, failed in line if age > 0.0 and 0.0 < failed < 1.0]
    inside = [
        (at, up) for at, up in places if axes.across[0] <= at <= axes.across[1] and axes.up[0] <= up <= axes.up[1]
    ]
    return Mark(kind="line", style=style, points=inside)


def _within(axes: Axes, failed: float) -> float:
    return min(max(_height(min(max(failed, 1e-9), 1.0 - 1e-9)), axes.up[0]), axes.up[1])


def _height(failed: float) -> float:
    return math.log(-math.log1p(-failed))


def _flat(rows: Sequence[DemandOut], heights: Sequence[float]) -> list[tuple[float, float]]:
    ends = [(float(row.starts_on.toordinal()), float(row.ends_on.toordinal() + 1)) for row in rows]
    return [(end, height) for pair, height in zip(ends, heights, strict=True) for end in pair]


def _band(rows: Sequence[DemandOut], lower: Sequence[float], upper: Sequence[float], *, style: str) -> Mark:
    return Mark(kind="area", style=style, points=[*_flat(rows, lower), *reversed(_flat(rows, upper))])
