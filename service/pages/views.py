"""The charts of each page, from the rows that the interface gives too."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta

import msgspec
from markupsafe import Markup

from service.pages.charts import Mark, age_axis, calendar_axis, draw, steps
from service.plots import PlotData
from service.schemas.records import EventRecord
from service.schemas.results import DemandOut, FailureModelOut

ROOM = 1.1
"""How much higher than what is shown a chart is."""
HEIGHT_OF = {"failure": 3.0, "condition": 2.0, "planned": 1.0, None: 3.0}
"""An event without a reason counts as a failure, so it is shown as one."""


def demand_fan(months: Sequence[DemandOut]) -> Markup | None:
    """Draw how many of a kit each month may take.

    Parameters
    ----------
    months : sequence of DemandOut
        In order.

    Returns
    -------
    Markup or None
        None if no month has numbers.
    """
    known = [row for row in months if row.p10 is not None and row.p90 is not None and row.mean is not None]
    if not known:
        return None
    most = max(1.0, max(float(row.p95 or row.p90 or 0) for row in known)) * ROOM
    axes = calendar_axis(known[0].starts_on, known[-1].ends_on, most=most, measured="kits a month")
    marks = [
        _band(known, [row.p10 or 0 for row in known], [row.p95 or row.p90 or 0 for row in known], style="fan-outer"),
        _band(known, [row.p10 or 0 for row in known], [row.p80 or 0 for row in known], style="fan-inner"),
        Mark(kind="line", style="fan-mean", points=_flat(known, [row.mean or 0.0 for row in known])),
    ]
    told = f"Expected per month: {', '.join(f'{row.starts_on:%Y-%m} {row.mean:.3g}' for row in known[:12])}."
    return draw(axes, marks, said=f"Demand by month with the range from P10 to P95. {told}")


def stock_ahead(months: Sequence[DemandOut], *, on_hand: int, arriving: Sequence[tuple[date, int]]) -> Markup | None:
    """Draw what expected demand leaves of a stock if nothing further is ordered; expectations add up, so no range.

    Parameters
    ----------
    months : sequence of DemandOut
        Of the storeroom, in order.
    on_hand : int [kits]
        Now.
    arriving : sequence
        When how many on open orders are due.

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
    least, most = min(0.0, *(up for _, up in points)), max(1.0, *(up for _, up in points)) * ROOM
    axes = calendar_axis(known[0].starts_on, known[-1].ends_on, most=most, measured="kits, nothing further ordered")
    axes = replace(axes, up=(least, axes.up[1]))
    zero = Mark(kind="line", style="zero", points=[(axes.across[0], 0.0), (axes.across[1], 0.0)])
    marks = [zero, Mark(kind="line", style="fan-mean", points=points)]
    return draw(
        axes, marks, said=f"Expected stock: {on_hand} now, {level:.3g} at the end of {known[-1].ends_on:%Y-%m}."
    )


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
    stored = model.details.get("plot")
    if stored is None:
        return None
    data = msgspec.convert(stored, PlotData)
    last = max([point[1] for point in data.points] + [age for age, _ in data.line], default=0.0)
    if not last:
        return None
    seen = steps([(data.survived_to_days, 1.0), *((point[1], 1.0 - point[2]) for point in data.points)])
    fitted = [(0.0, 1.0), *((age, 1.0 - failed) for age, failed in data.line)]
    marks = [
        *([Mark(kind="line", style="seen", points=seen)] if data.points else []),
        *([Mark(kind="line", style="fan-mean", points=fitted)] if data.line else []),
    ]
    axes = age_axis(last, most=1.0, measured="share still running")
    return draw(axes, marks, said=f"Share of {model.maintainable_item} still running by days since renewal.")


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
    said = f"Mean failures of one {model.maintainable_item} so far by days watched: {rows[-1][2]:.3g} in the end."
    return draw(age_axis(rows[-1][0], most=most, measured="failures of one place"), [*band, mean], said=said)


def timeline(events: Sequence[EventRecord], *, until: date) -> Markup | None:
    """Draw what was done to a valve and when; the higher a mark, the less it was planned.

    Parameters
    ----------
    events : sequence of EventRecord
        By day.
    until : date
        Where the line ends.

    Returns
    -------
    Markup or None
        None without events.
    """
    if not events:
        return None
    days = [_day_of(event.done_on) for event in events]
    first, last = min(days) - timedelta(days=30), max(until, *days)
    axes = calendar_axis(first, last, most=3.6, measured="3 failure, 2 condition, 1 planned, 0 looked at")
    heights = [HEIGHT_OF[event.reason] if event.action in ("rebuild", "exchange") else 0.0 for event in events]
    places = [(float(at.toordinal()), height) for at, height in zip(days, heights, strict=True)]
    stems = [Mark(kind="line", style="seen", points=[(at, 0.0), (at, height)]) for at, height in places]
    said = "; ".join(f"{event.done_on} {event.action} {event.reason or ''}".strip() for event in events)
    return draw(axes, [*stems, Mark(kind="dots", style="dot", points=places)], said=f"Events: {said}.")


def _day_of(written: str) -> date:
    padded = f"{written}-01-01" if len(written) == 4 else f"{written}-01" if len(written) == 7 else written
    return date.fromisoformat(padded)


def _flat(rows: Sequence[DemandOut], heights: Sequence[float]) -> list[tuple[float, float]]:
    ends = [(float(row.starts_on.toordinal()), float(row.ends_on.toordinal() + 1)) for row in rows]
    return [(end, height) for pair, height in zip(ends, heights, strict=True) for end in pair]


def _band(rows: Sequence[DemandOut], lower: Sequence[float], upper: Sequence[float], *, style: str) -> Mark:
    return Mark(kind="area", style=style, points=[*_flat(rows, lower), *reversed(_flat(rows, upper))])
