"""What rows of results have in common: their type, the method they name, the digits they are published with."""

from forecasting.lifetime_points import POINTS

METHOD = f"from valves, over {POINTS} sets of lifetimes"
Row = dict[str, object]
"""Columns of a result table."""


def round6(value: float | None) -> float | None:
    """Keep 6 significant digits."""
    return None if value is None else float(f"{value:.6g}")
