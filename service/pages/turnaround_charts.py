"""The charts of a turnaround: how likely its cost stays below what, and by when its kits are ordered."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

from markupsafe import Markup

from service.pages.charts import Axes, Mark, Point, calendar_axis, draw, round_labels, steps
from service.schemas.turnarounds import BudgetOut, TurnaroundKitOut

MARKED = (50, 80, 90)
ROOM = 1.05
FEWEST_AMOUNTS = 4
"""Amounts are long words: more than this would run into each other on a phone."""
MARGIN_DAYS = 15
AMOUNT_LEFT = 70.0


def budget_distribution(budget: BudgetOut) -> Markup | None:
    """Draw the chance that the total stays below an amount.

    Parameters
    ----------
    budget : BudgetOut
        With its percentiles.

    Returns
    -------
    Markup or None
        None if there are none.
    """
    if not budget.percentiles:
        return None
    curve = [(float(amount), float(number)) for number, amount in enumerate(budget.percentiles, start=1)]
    base = float(budget.base_estimate)
    first, last = min(base, curve[0][0]), max(base, curve[-1][0])
    room = max((last - first) * (ROOM - 1.0), 1.0)
    axes = _amounts((first - room, last + room))
    marks = [
        Mark(kind="line", style="level", points=[(base, 0.0), (base, 100.0)]),
        *(_drop(curve[number - 1], axes) for number in MARKED),
        Mark(kind="line", style="fan-mean", points=curve),
        Mark(kind="dots", style="dot", points=[curve[number - 1] for number in MARKED]),
    ]
    told = ", ".join(f"P{number} {budget.percentiles[number - 1]:,}" for number in MARKED)
    return draw(axes, marks, said=f"Chance that the total stays below an amount: {told}; base estimate {base:,.2f}.")


def order_calendar(kits: Sequence[TurnaroundKitOut], *, budget: BudgetOut) -> Markup | None:
    """Draw by when how much is ordered for a turnaround.

    Parameters
    ----------
    kits : sequence of TurnaroundKitOut
        Those to order are drawn.
    budget : BudgetOut
        Of the turnaround, for its days.

    Returns
    -------
    Markup or None
        None if nothing is ordered.
    """
    ordered = sorted((kit.order_by, kit.cost or Decimal(0), kit.kit) for kit in kits if kit.order_by and kit.to_order)
    if not ordered:
        return None
    days = [budget.as_of, budget.starts_on, *(at for at, _, _ in ordered)]
    first, last = min(days) - timedelta(days=MARGIN_DAYS), max(days) + timedelta(days=MARGIN_DAYS)
    so_far, points = Decimal(0), [(float(first.toordinal()), 0.0)]
    for at, cost, _ in ordered:
        so_far += cost
        points.append((float(at.toordinal()), float(so_far)))
    points.append((float(last.toordinal()), float(so_far)))
    axes = calendar_axis(first, last, up=(0.0, max(float(so_far), 1.0) * ROOM), measured="cost of kits ordered by then")
    axes = replace(axes, left=AMOUNT_LEFT)
    lines = [_upright(axes, at, style) for at, style in _days(budget)]
    dots = Mark(kind="dots", style="dot", points=points[1:-1])
    said = "; ".join(f"{kit} by {at}" for at, _, kit in ordered)
    return draw(axes, [*lines, Mark(kind="line", style="fan-mean", points=steps(points)), dots], said=f"Order {said}.")


def _amounts(ends: Point) -> Axes:
    labels = round_labels(*ends)
    return Axes(
        across=ends,
        up=(0.0, 100.0),
        labels=labels[:: -(-len(labels) // FEWEST_AMOUNTS)],
        heights=round_labels(0.0, 100.0),
        measured="per cent chance that the total stays below",
        along="total, in the plant’s currency",
    )


def _drop(point: Point, axes: Axes) -> Mark:
    return Mark(kind="line", style="seen", points=[(point[0], 0.0), point, (axes.across[0], point[1])])


def _days(budget: BudgetOut) -> list[tuple[date, str]]:
    freeze = [] if budget.scope_freeze_on is None else [(budget.scope_freeze_on, "level")]
    return [(budget.as_of, "zero"), *freeze, (budget.starts_on, "seen")]


def _upright(axes: Axes, at: date, style: str) -> Mark:
    inside = min(max(float(at.toordinal()), axes.across[0]), axes.across[1])
    return Mark(kind="line", style=style, points=[(inside, 0.0), (inside, axes.up[1])])
