"""Charts as SVG within a page, drawn small so that their words can be read on a phone; each says its data in words."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from markupsafe import Markup, escape

WIDTH, HEIGHT = 400.0, 240.0
LEFT, RIGHT, TOP, BOTTOM = 44.0, 390.0, 26.0, 196.0
TICKS = 5
YEAR_DAYS = 365.25
LONG_DAYS = 2 * YEAR_DAYS
"""From here on ages are told in years."""
MONTHS_APART = (1, 2, 3, 6, 12, 24, 60, 120)

Point = tuple[float, float]
Label = tuple[float, str]


@dataclass(frozen=True, kw_only=True)
class Mark:
    """Something drawn over an axis: what it is, its class in the stylesheet, its points in the chart's units."""

    kind: str
    style: str
    points: Sequence[Point]


@dataclass(frozen=True, kw_only=True)
class Axes:
    """What the axes hold: the ends of both, labels across and up, and what is measured, with its unit."""

    across: Point
    up: Point
    labels: Sequence[Label]
    heights: Sequence[Label]
    measured: str
    along: str
    left: float = LEFT

    def place(self, point: Point) -> Point:
        """Place of a point in the drawing, in its units."""
        return (
            self.left + (point[0] - self.across[0]) / max(self.across[1] - self.across[0], 1e-9) * (RIGHT - self.left),
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


def calendar_axis(first: date, last: date, *, up: Point, measured: str) -> Axes:
    """Lay out axes of days across and a number up.

    Parameters
    ----------
    first, last : date
        The ends.
    up : tuple of two float
        The smallest and the largest number shown.
    measured : str
        What is shown upwards, with its unit.

    Returns
    -------
    Axes
        Points across are day numbers.
    """
    ends = (float(first.toordinal()), float(last.toordinal()))
    labels = _calendar_labels(first, last)
    return Axes(across=ends, up=up, labels=labels, heights=round_labels(*up), measured=measured, along="")


def age_axis(last: float, *, most: float, measured: str, along: str) -> Axes:
    """Lay out axes of ages across and a number up.

    Parameters
    ----------
    last : float [days]
        The end.
    most : float
        The largest number shown.
    measured : str
        What is shown upwards, with its unit.
    along : str
        What the ages are counted from.

    Returns
    -------
    Axes
        Both begin at 0; ages beyond two years are labelled in years.
    """
    size, unit = (YEAR_DAYS, "years") if last > LONG_DAYS else (1.0, "days")
    labels = [(age * size, words) for age, words in round_labels(0.0, last / size)]
    heights = round_labels(0.0, most)
    up = (0.0, most)
    return Axes(
        across=(0.0, max(last, 1.0)), up=up, labels=labels, heights=heights, measured=measured, along=f"{unit} {along}"
    )


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


def round_labels(least: float, most: float) -> list[Label]:
    """Give round numbers between two, a few of them.

    Parameters
    ----------
    least, most : float
        The ends.

    Returns
    -------
    list of labels
        Where each stands, and how it is written.

    Examples
    --------
    >>> round_labels(-1.2, 2.1)
    [(-1.0, '-1'), (0.0, '0'), (1.0, '1'), (2.0, '2')]
    """
    rough = max(most - least, 1e-9) / (TICKS - 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(size * power for size in (1, 2, 5, 10) if size * power >= rough)
    numbers = [number * step for number in range(math.ceil(least / step), math.floor(most / step) + 1)]
    return [(number, f"{number:,.10g}") for number in numbers]


def _calendar_labels(first: date, last: date) -> list[Label]:
    """Label first days of months, or of years once they are a year apart or more."""
    months = range(first.year * 12 + first.month - 1, last.year * 12 + last.month)
    apart = next((size for size in MONTHS_APART if len(months) <= size * (TICKS + 1)), MONTHS_APART[-1])
    days = [date(number // 12, number % 12 + 1, 1) for number in months if number % apart == 0]
    form = "%Y" if apart >= 12 else "%Y-%m"
    return [(float(at.toordinal()), f"{at:{form}}") for at in days if first <= at <= last]


def _grid(axes: Axes) -> Iterable[str]:
    for height, words in axes.heights:
        up = axes.place((axes.across[0], height))[1]
        yield f'<path class="grid" d="M{axes.left:g} {up:.1f}H{RIGHT:g}"/>'
        yield f'<text x="{axes.left - 6:g}" y="{up + 4:.1f}" text-anchor="end">{escape(words)}</text>'
    for place, words in axes.labels:
        across = axes.place((place, 0.0))[0]
        anchor = "end" if across > RIGHT - 16 else "middle"
        yield f'<path class="grid" d="M{across:.1f} {BOTTOM:g}v5"/>'
        yield f'<text x="{across:.1f}" y="{BOTTOM + 18:g}" text-anchor="{anchor}">{escape(words)}</text>'
    yield f'<text class="measured" x="4" y="14">{escape(axes.measured)}</text>'
    yield f'<text x="{RIGHT:g}" y="{HEIGHT - 8:g}" text-anchor="end">{escape(axes.along)}</text>'


def _shape(axes: Axes, mark: Mark) -> str:
    places = [axes.place(point) for point in mark.points]
    if mark.kind in POINTED:
        return "".join(POINTED[mark.kind].format(style=mark.style, at=at, up=up) for at, up in places)
    path = " ".join(f"{at:.1f},{up:.1f}" for at, up in places)
    tag = "polygon" if mark.kind == "area" else "polyline"
    return f'<{tag} class="{mark.style}" points="{path}"/>'


POINTED = {
    "dots": '<circle class="{style}" cx="{at:.1f}" cy="{up:.1f}" r="4"/>',
    "specks": '<circle class="{style}" cx="{at:.1f}" cy="{up:.1f}" r="2.4"/>',
    "diamonds": '<path class="{style}" d="M{at:.1f} {up:.1f}m-5.5 0l5.5 -5.5 5.5 5.5 -5.5 5.5z"/>',
    "ticks": '<path class="{style}" d="M{at:.1f} {up:.1f}m0 -10v20"/>',
}
"""Marks that stand at points, told apart by their shape."""
