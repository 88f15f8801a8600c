"""The stock frontier drawn as SVG: money across, shortage up, present stock and reorder points as points."""

import math
from collections.abc import Iterator, Sequence
from html import escape
from textwrap import wrap

from service.schemas.frontier import FrontierPointOut
from service.svg_marks import GRID, INK, Point, line, text

WIDTH, LEFT, RIGHT, TOP, BOTTOM = 720.0, 84.0, 700.0, 56.0, 400.0
CURVE, PRESENT, KEPT = "#0072b2", "#d55e00", "#009e73"
MARKS = {"present_stock": ("present stock", PRESENT), "reorder_points": ("what the reorder points keep", KEPT)}
"""They differ in shape too (square, diamond), so the drawing needs no colour."""
MOST_POINTS = 400
GRID_LINES = 6
CAPTION_COLUMNS, CAPTION_LINE = 108, 17.0


def _step(most: float) -> float:
    """Give 1, 2 or 5 times a power of ten, so that some six of them reach this far."""
    rough = max(most, 1e-9) / GRID_LINES
    power = 10.0 ** math.floor(math.log10(rough))
    return next(times * power for times in (1.0, 2.0, 5.0, 10.0) if times * power >= rough)


class _Frame:
    """Where money and shortage lie."""

    def __init__(self, points: Sequence[FrontierPointOut]) -> None:
        self.money = max([float(point.cost) for point in points] + [1.0]) * 1.03
        self.short = max([point.shortage for point in points] + [1e-6]) * 1.03

    def at(self, point: FrontierPointOut) -> Point:
        across = LEFT + (RIGHT - LEFT) * float(point.cost) / self.money
        return across, BOTTOM - (BOTTOM - TOP) * point.shortage / self.short


def _axes(frame: _Frame) -> Iterator[str]:
    for number in range(1, math.floor(frame.money / _step(frame.money)) + 1):
        money = number * _step(frame.money)
        across = LEFT + (RIGHT - LEFT) * money / frame.money
        yield line((across, TOP), (across, BOTTOM), GRID)
        yield text((across, BOTTOM + 18), f"{money:,.10g}", anchor="middle")
    for number in range(math.floor(frame.short / _step(frame.short)) + 1):
        short = number * _step(frame.short)
        down = BOTTOM - (BOTTOM - TOP) * short / frame.short
        yield line((LEFT, down), (RIGHT, down), GRID)
        yield text((LEFT - 8, down + 4), f"{short:,.4g}", anchor="end")
    yield f'<rect x="{LEFT}" y="{TOP}" width="{RIGHT - LEFT}" height="{BOTTOM - TOP}" fill="none" stroke="{INK}"/>'
    yield text(((LEFT + RIGHT) / 2, BOTTOM + 38), "money in stock", anchor="middle")
    middle = (TOP + BOTTOM) / 2
    turned = f' transform="rotate(-90 20 {middle:.0f})"'
    yield text((20, middle), "expected shortage, kits by weight", anchor="middle", more=turned)


def _thinned(curve: Sequence[FrontierPointOut]) -> list[FrontierPointOut]:
    """Keep so many points that the eye sees no difference, the last among them."""
    every = -(-len(curve) // MOST_POINTS)
    return [*curve[:-1:every], *curve[-1:]]


def _mark(at: Point, colour: str, *, turned: bool) -> str:
    across, down = at
    angle = f' transform="rotate(45 {across:.1f} {down:.1f})"' if turned else ""
    return (
        f'<rect x="{across - 5:.1f}" y="{down - 5:.1f}" width="10" height="10" fill="{colour}" stroke="{INK}"{angle}/>'
    )


def draw_frontier(points: Sequence[FrontierPointOut], *, caption: str) -> str:
    """Draw what less shortage costs.

    Parameters
    ----------
    points : sequence of FrontierPointOut
        Steps of the frontier and the points beside it.
    caption : str
        What a reader must know; also the description for those who can't see the drawing.

    Returns
    -------
    str
        An SVG document without scripts, styles or references.
    """
    frame = _Frame(points)
    curve = _thinned([point for point in points if point.point == "frontier"])
    path = " ".join("{:.1f},{:.1f}".format(*frame.at(point)) for point in curve)
    body = [*_axes(frame), f'<polyline points="{path}" fill="none" stroke="{CURVE}" stroke-width="2"/>']
    body += [line((LEFT, TOP - 12), (LEFT + 34, TOP - 12), CURVE, 2.0), text((LEFT + 42, TOP - 8), "frontier")]
    for number, point in enumerate(one for one in points if one.point in MARKS):
        words, colour = MARKS[point.point]
        begin = LEFT + 140 + 170 * number
        for at in (frame.at(point), (begin, TOP - 12)):
            body.append(_mark(at, colour, turned=number == 1))
        body.append(text((begin + 12, TOP - 8), words))
    lines = wrap(caption, CAPTION_COLUMNS)
    height = BOTTOM + 66 + CAPTION_LINE * len(lines)
    body += [text((20, BOTTOM + 64 + CAPTION_LINE * number), words) for number, words in enumerate(lines)]
    title = "Stock: money against shortage"
    body.append(text((LEFT, 22), title, size=15, more=' font-weight="bold"'))
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {height:g}" width="{WIDTH:g}" '
        f'height="{height:g}" role="img" aria-labelledby="title description" '
        'font-family="Helvetica, Arial, sans-serif">'
    )
    named = f'<title id="title">{title}</title><desc id="description">{escape(caption)}</desc>'
    white = f'<rect width="{WIDTH:g}" height="{height:g}" fill="#ffffff"/>'
    return "\n".join([head, named, white, *body, "</svg>", ""])
