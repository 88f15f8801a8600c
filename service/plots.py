"""A stored probability plot drawn as SVG: points, limits and lines on Weibull paper, axes in days and per cent."""

import math
from collections.abc import Iterator, Sequence
from html import escape
from itertools import pairwise
from textwrap import wrap

from msgspec import Struct, field

from service.svg_marks import GRID, INK, Point
from service.svg_marks import line as _line
from service.svg_marks import text as _text

WIDTH, HEIGHT = 720.0, 560.0
LEFT, RIGHT, TOP, BOTTOM = 76.0, 700.0, 56.0, 400.0
"""Of the frame the points lie in."""
PER_CENT = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 50, 70, 80, 90, 95, 98, 99, 99.9, 99.99)
APART = 15.0
"""Least distance between two labels of the vertical axis."""
CAPTION_COLUMNS, CAPTION_LINE = 108, 17.0
LIMITS, FIT, OWN, BAND = "#7a7a7a", "#0072b2", "#d55e00", "#f2e3d5"
"""Fit and own fit differ in dashes too, and the band has an edge of dots, so the plot needs no colour."""


class PlotData(Struct, kw_only=True):
    """What a run stores of a probability plot; ages in days, shares between 0 and 1."""

    method: str
    survived_to_days: float = 0.0
    seen_to_days: float | None = None
    """Where the points end before the last age seen."""
    points: list[tuple[float, float, float, float | None, float | None]] = field(default_factory=list)
    """Begin and end of a step, share failed, lower and upper limit."""
    line: list[Point] = field(default_factory=list)
    own_line: list[Point] = field(default_factory=list)
    band: list[tuple[float, float, float]] = field(default_factory=list)
    """Age, lower and upper likelihood-ratio limit of the share failed, by this class alone."""
    reason: str | None = None


class _Paper:
    """Where an age and a share failed lie: log age across, log(-log(1 - share)) up, so a Weibull is a straight line."""

    def __init__(self, data: PlotData) -> None:
        ages = [point[1] for point in data.points] + [age for age, _ in data.line or data.own_line]
        shares = [point[2] for point in data.points] or [share for _, share in data.line]
        limits = [limit for point in data.points for limit in point[3:] if limit is not None and 0 < limit < 1]
        inside = [share for share in shares if 0 < share < 1] or [0.01, 0.9]
        low = max(min([*inside, *limits]), min(inside) / 20.0)
        self.first, self.last = math.log(min(ages, default=1.0)), math.log(max(ages, default=1000.0))
        self.low = _height(min(0.7 * low, 0.05))
        self.high = _height(min(0.9999, max([0.7, *inside, *limits]) ** 0.5))

    def across(self, age: float) -> float:
        """Place of an age, within the frame."""
        return self.place((math.log(max(age, 1e-9)), self.low))[0]

    def up(self, share: float) -> float:
        """Place of a share failed, within the frame."""
        return self.place((self.first, _height(share)))[1]

    def place(self, way: Point) -> Point:
        """Place of log age and height, within the frame."""
        across = (way[0] - self.first) / max(self.last - self.first, 1e-9)
        up = (way[1] - self.low) / (self.high - self.low)
        return LEFT + min(1.0, max(0.0, across)) * (RIGHT - LEFT), BOTTOM - min(1.0, max(0.0, up)) * (BOTTOM - TOP)

    def holds(self, way: Point) -> bool:
        """Whether log age and height lie within the frame."""
        return self.low <= way[1] <= self.high and self.first - 1e-9 <= way[0] <= self.last + 1e-9


def _height(share: float) -> float:
    return math.log(-math.log1p(-min(max(share, 1e-9), 1.0 - 1e-9)))


def _round_ages(paper: _Paper) -> Iterator[float]:
    """Give 1, 2 and 5 times the powers of ten, or more of them where the ages span little."""
    span = paper.last - paper.first
    steps = (1, 2, 5) if span > math.log(8) else (1, 1.5, 2, 3, 4, 5, 6, 7, 8, 9)
    for power in range(math.floor(paper.first / math.log(10)), math.ceil(paper.last / math.log(10)) + 1):
        for step in steps:
            age = step * 10.0**power
            if paper.first <= math.log(age) <= paper.last:
                yield age


def _axes(paper: _Paper) -> Iterator[str]:
    yield f'<rect x="{LEFT}" y="{TOP}" width="{RIGHT - LEFT}" height="{BOTTOM - TOP}" fill="none" stroke="{INK}"/>'
    for age in _round_ages(paper):
        across = paper.across(age)
        yield _line((across, TOP), (across, BOTTOM), GRID)
        yield _text((across, BOTTOM + 18), f"{age:,.10g}", anchor="middle")
    taken = BOTTOM + APART
    for per_cent in PER_CENT:
        up = paper.up(per_cent / 100)
        if paper.low <= _height(per_cent / 100) <= paper.high and taken - up >= APART:
            taken = up
            yield _line((LEFT, up), (RIGHT, up), GRID)
            yield _text((LEFT - 8, up + 4), f"{per_cent:g}", anchor="end")
    yield _text(((LEFT + RIGHT) / 2, BOTTOM + 38), "age since renewal, days (logarithmic)", anchor="middle")
    middle = (TOP + BOTTOM) / 2
    turned = f' transform="rotate(-90 24 {middle:.0f})"'
    yield _text((24, middle), "per cent failed (Weibull scale)", anchor="middle", more=turned)


def _at_edge(paper: _Paper, inside: Point, outside: Point) -> Point:
    """Where the way from a point in the frame to one beyond it crosses the edge; log age and height."""
    reach = 1.0
    for axis, (least, most) in enumerate(((paper.first, paper.last), (paper.low, paper.high))):
        step = outside[axis] - inside[axis]
        if step:
            reach = min(reach, ((most if step > 0 else least) - inside[axis]) / step)
    return inside[0] + reach * (outside[0] - inside[0]), inside[1] + reach * (outside[1] - inside[1])


def _curve(paper: _Paper, line: Sequence[Point], colour: str, dashes: str) -> str:
    """Draw a line as far as the frame."""
    ways = [(math.log(max(age, 1e-9)), _height(share)) for age, share in line if 0.0 < share < 1.0]
    places = []
    for start, end in pairwise(ways):
        if paper.holds(start):
            places.append(start)
        if paper.holds(start) != paper.holds(end):
            inside, outside = (start, end) if paper.holds(start) else (end, start)
            places.append(_at_edge(paper, inside, outside))
    places += [way for way in ways[-1:] if paper.holds(way)]
    drawn = [paper.place(way) for way in places]
    path = " ".join(f"{across:.1f},{up:.1f}" for across, up in drawn)
    return f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="2"{dashes}/>'


def _band(paper: _Paper, data: PlotData) -> Iterator[str]:
    """Draw the band, cut off at the frame: beneath all else, its edges dotted so that they survive a copier."""
    inside = [limits for limits in data.band if paper.first <= math.log(max(limits[0], 1e-9)) <= paper.last]
    lower, upper = ([(paper.across(at[0]), paper.up(at[side])) for at in inside] for side in (1, 2))
    if len(inside) > 1:
        corners = " ".join(f"{across:.1f},{up:.1f}" for across, up in [*lower, *reversed(upper)])
        yield f'<polygon points="{corners}" fill="{BAND}"/>'
        for edge in (lower, upper):
            path = " ".join(f"{across:.1f},{up:.1f}" for across, up in edge if TOP < up < BOTTOM)
            yield f'<polyline points="{path}" fill="none" stroke="{OWN}" stroke-width="1" stroke-dasharray="1.5 3"/>'


def _marks(paper: _Paper, data: PlotData) -> Iterator[str]:
    """Draw limits first, so that the points lie on top; what lies in an interval has a bar across it."""
    for _, age, share, lower, upper in data.points:
        if lower is not None and upper is not None and 0.0 < share < 1.0:
            across = paper.across(age)
            yield _line((across, paper.up(lower)), (across, paper.up(upper)), LIMITS, 1.2)
    for begin, age, share, _, _ in data.points:
        if 0.0 < share < 1.0:
            if begin < age:
                yield _line((paper.across(begin), paper.up(share)), (paper.across(age), paper.up(share)), INK, 1.2)
            yield f'<circle cx="{paper.across(age):.1f}" cy="{paper.up(share):.1f}" r="3.2" fill="{INK}"/>'


def _legend(data: PlotData) -> Iterator[str]:
    at = LEFT
    entries = [(f'stroke="{FIT}"', "used by the forecast", bool(data.line))]
    entries.append((f'stroke="{OWN}" stroke-dasharray="7 4"', "this class alone", bool(data.own_line)))
    for style, words, shown in entries:
        if shown:
            yield f'<line x1="{at}" y1="{TOP - 12}" x2="{at + 34}" y2="{TOP - 12}" stroke-width="2" {style}/>'
            yield _text((at + 42, TOP - 8), words)
            at += 200
    if data.points:
        yield f'<circle cx="{at + 8}" cy="{TOP - 12}" r="3.2" fill="{INK}"/>'
        yield _line((at + 8, TOP - 20), (at + 8, TOP - 4), LIMITS, 1.2)
        yield _text((at + 20, TOP - 8), f"{data.method}, with 95 % limits")


def draw_plot(data: PlotData, *, title: str, caption: str) -> str:
    """Draw a probability plot.

    Parameters
    ----------
    data : PlotData
        Points, limits and lines.
    title : str
        What is plotted.
    caption : str
        What a reader must know, the parameters among it; also the description for those who can't see the plot.

    Returns
    -------
    str
        An SVG document without scripts, styles or references.
    """
    paper = _Paper(data)
    lines = wrap(caption, CAPTION_COLUMNS)
    height = BOTTOM + 66 + CAPTION_LINE * len(lines)
    body = [
        *_band(paper, data),
        *_axes(paper),
        *_legend(data),
        *([_curve(paper, data.line, FIT, "")] if data.line else []),
        *([_curve(paper, data.own_line, OWN, ' stroke-dasharray="7 4"')] if data.own_line else []),
        *_marks(paper, data),
        _text((LEFT, 22), title, size=15, more=' font-weight="bold"'),
        *(_text((20, BOTTOM + 64 + CAPTION_LINE * number), line) for number, line in enumerate(lines)),
    ]
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {height:g}" width="{WIDTH:g}" '
        f'height="{height:g}" role="img" aria-labelledby="title description" '
        'font-family="Helvetica, Arial, sans-serif">'
    )
    named = f'<title id="title">{escape(title)}</title><desc id="description">{escape(caption)}</desc>'
    paper_white = f'<rect width="{WIDTH:g}" height="{height:g}" fill="#ffffff"/>'
    return "\n".join([head, named, paper_white, *body, "</svg>", ""])
