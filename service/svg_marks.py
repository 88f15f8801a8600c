"""Lines and words of a drawing, as SVG."""

from html import escape

INK, GRID = "#1a1a1a", "#e2e2e2"
Point = tuple[float, float]


def line(start: Point, end: Point, colour: str, width: float = 1.0) -> str:
    """Draw a straight line.

    Parameters
    ----------
    start, end : tuple of two float
        Across and down.
    colour : str
        As SVG names it.
    width : float
        Of the line.

    Returns
    -------
    str
        An element.
    """
    return (
        f'<line x1="{start[0]:.1f}" y1="{start[1]:.1f}" x2="{end[0]:.1f}" y2="{end[1]:.1f}" '
        f'stroke="{colour}" stroke-width="{width:g}"/>'
    )


def text(at: Point, words: str, *, anchor: str = "start", size: int = 12, more: str = "") -> str:
    """Write words.

    Parameters
    ----------
    at : tuple of two float
        Across and down.
    words : str
        Plain text.
    anchor : str
        start, middle or end.
    size : int
        Of the letters.
    more : str
        Further attributes.

    Returns
    -------
    str
        An element.
    """
    return (
        f'<text x="{at[0]:.1f}" y="{at[1]:.1f}" text-anchor="{anchor}" font-size="{size}" fill="{INK}"{more}>'
        f"{escape(words)}</text>"
    )
