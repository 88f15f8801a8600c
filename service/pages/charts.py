"""Charts as SVG within a page, drawn small so that their words can be read on a phone; each says its data in words."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from markupsafe import Markup, escape

WIDTH, HEIGHT = 400.0, 240.0
LEFT, RIGHT, TOP, BOTTOM = 44.0, 390.0, 14.0, 196.0
TICKS = 5

Point = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Mark:
    """Something drawn over an axis: a line or an area, its class in the stylesheet, its points in the chart's units."""

    kind: str
    style: str
    points: Sequence[Point]


@dataclass(frozen=True, kw_only=True)
class Axes:
    """What the axes hold: the ends of both, labels across, and what is measured."""

    across: Point
    up: Point
    labels: Sequence[tuple[float, str]]
    measured: str
    along: str

    def place(self, point: Point) -> Point:
        """Place of a point in the drawing, in its units."""
        return (
            LEFT + (point[0] - self.across[0]) / max(self.across[1] - self.across[0], 1e-9) * (RIGHT - LEFT),
            BOTTOM - (point[1] - self.up[0]) / max(self.up[1] - self.up[0], 1e-9) * (BOTTOM - TOP),
        )


def draw(axes: Axes, marks: Iterable[Mark], *, said: str) -> Markup:
    """Draw a chart.

    Parameters
    ----------
    axes : Axes
        What the axes hold.
    marks : iterable of Mark
        What is drawn, the first at the bottom.
    said : str
        What the chart shows, for those who can't see it.

    Returns
    -------
    Markup
        An `svg` element without style, script or reference.
    """
    body = [*_grid(axes), *(_shape(axes, mark) for mark in marks)]
    head = f'<svg class="chart" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" aria-label="{escape(said)}">'
    return Markup(head + "".join(body) + "</svg>")  # noqa: S704 (all words in it are escaped)


def calendar_axis(first: date, last: date, *, most: float, measured: str) -> Axes:
    """Lay out axes of days across and a number up.

    Parameters
    ----------
    first, last : date
        The ends.
    most : float
        The largest number shown.
    measured : str
        What is shown upwards, with its unit.

    Returns
    -------
    Axes
        Points across are day numbers.
    """
    months = [number for number in range(first.year * 12 + first.month, last.year * 12 + last.month + 1)]
    every = max(1, math.ceil(len(months) / TICKS))
    days = [date((number - 1) // 12, (number - 1) % 12 + 1, 1) for number in months[::every]]
    labels = [(float(at.toordinal()), f"{at:%Y-%m}") for at in days if first <= at <= last]
    ends = (float(first.toordinal()), float(last.toordinal()))
    return Axes(across=ends, up=(0.0, most), labels=labels, measured=measured, along="")


def age_axis(last: float, *, most: float, measured: str) -> Axes:
    """Lay out axes of days since renewal across and a number up.

    Parameters
    ----------
    last : float [days]
        The end.
    most : float
        The largest number shown.
    measured : str
        What is shown upwards, with its unit.

    Returns
    -------
    Axes
        Both begin at 0.
    """
    labels = [(age, f"{age:,.0f}") for age in _round_numbers(last)]
    return Axes(across=(0.0, max(last, 1.0)), up=(0.0, most), labels=labels, measured=measured, along="days")


def steps(points: Sequence[Point]) -> list[Point]:
    """Turn points into the corners of a staircase.

    Parameters
    ----------
    points : sequence
        Where each step ends across, and how high it is from there on.

    Returns
    -------
    list of points
        Two for each after the first.
    """
    corners = list(points[:1])
    for point in points[1:]:
        corners += [(point[0], corners[-1][1]), point]
    return corners


def _round_numbers(most: float) -> list[float]:
    rough = max(most, 1e-9) / (TICKS - 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(size * power for size in (1, 2, 5, 10) if size * power >= rough)
    return [number * step for number in range(math.floor(most / step) + 1)]


def _grid(axes: Axes) -> Iterable[str]:
    for height in _round_numbers(axes.up[1]):
        if height >= axes.up[0]:
            up = axes.place((axes.across[0], height))[1]
            yield f'<path class="grid" d="M{LEFT:g} {up:.1f}H{RIGHT:g}"/>'
            yield f'<text x="{LEFT - 5:g}" y="{up + 4:.1f}" text-anchor="end">{height:,.10g}</text>'
    for place, words in axes.labels:
        across = axes.place((place, 0.0))[0]
        anchor = "end" if across > RIGHT - 16 else "middle"
        yield f'<path class="grid" d="M{across:.1f} {BOTTOM:g}v5"/>'
        yield f'<text x="{across:.1f}" y="{BOTTOM + 18:g}" text-anchor="{anchor}">{escape(words)}</text>'
    words = axes.measured + (f"; across: {axes.along} since renewal" if axes.along else "")
    yield f'<text x="{LEFT:g}" y="{HEIGHT - 6:g}">{escape(words)}</text>'


def _shape(axes: Axes, mark: Mark) -> str:
    places = [axes.place(point) for point in mark.points]
    if mark.kind == "dots":
        return "".join(f'<circle class="{mark.style}" cx="{at:.1f}" cy="{up:.1f}" r="3.5"/>' for at, up in places)
    path = " ".join(f"{at:.1f},{up:.1f}" for at, up in places)
    tag = "polygon" if mark.kind == "area" else "polyline"
    return f'<{tag} class="{mark.style}" points="{path}"/>'
