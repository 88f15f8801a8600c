"""From what a use case answers to a page: the templates, and how numbers, days and shares are written."""

import math
from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from pathlib import Path
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

FOLDER = Path(__file__).parent
ASSETS = FOLDER / "assets"
NOTHING = "–"
SHOWN_DIGITS = 3
LARGE = 1000.0
SMALL = 0.001
"""Below it a number says how many zeros it has, and little else."""
MINUS = "\N{MINUS SIGN}"
YEAR_DAYS, MONTH_DAYS = 365.25, 30.4375
SPANS = ((730.0, YEAR_DAYS, "years"), (120.0, MONTH_DAYS, "months"), (-math.inf, 1.0, "days"))
"""From how many days on a span is told in which unit."""


def render(template: str, values: Mapping[str, object]) -> str:
    """Fill in a page.

    Parameters
    ----------
    template : str
        Its file.
    values : mapping
        What it shows.

    Returns
    -------
    str
        An HTML document; every text in it is escaped.
    """
    return ENVIRONMENT.get_template(template).render(**values)


def number(value: float | str | None) -> Markup:
    """Write a number short, with the number as it is published beside it for programs.

    Parameters
    ----------
    value : float, str or None
        In any unit.

    Returns
    -------
    Markup
        A `data` element, or a dash for none.

    Examples
    --------
    >>> str(number(0.123456))
    '<data value="0.123456">0.123</data>'
    >>> str(number(0.0000047))
    '<data value="4.7e-06">under 0.001</data>'
    >>> str(number(None))
    '–'
    """
    if value is None:
        return Markup(NOTHING)
    return Markup('<data value="{}">{}</data>').format(value, _short(value))


def share(value: float | None) -> Markup:
    """Write a share in per cent as short as it is worth, with the number as it is published beside it for programs.

    Parameters
    ----------
    value : float or None
        Between 0 and 1.

    Returns
    -------
    Markup
        A `data` element, or a dash for none.

    Examples
    --------
    >>> str(share(0.0512))
    '<data value="0.0512">5.1 %</data>'
    >>> str(share(0.41))
    '<data value="0.41">41 %</data>'
    """
    if value is None:
        return Markup(NOTHING)
    return Markup('<data value="{}">{} %</data>').format(value, _per_cent(100.0 * value))


def span(value: float | None) -> Markup:
    """Write a number of days as somebody would say it, with the days beside it for programs.

    Parameters
    ----------
    value : float or None [days]
        None is not known.

    Returns
    -------
    Markup
        A `data` element in days, months or years, or a dash for none.

    Examples
    --------
    >>> str(span(3175.0))
    '<data value="3175.0">8.7 years</data>'
    >>> str(span(89.0))
    '<data value="89.0">89 days</data>'
    """
    if value is None:
        return Markup(NOTHING)
    size, words = next((size, words) for least, size, words in SPANS if value >= least)
    digits = 1 if size == YEAR_DAYS else 0
    return Markup('<data value="{}">{:.{}f} {}</data>').format(value, value / size, digits, words)


def money(value: Decimal | str | None) -> Markup:
    """Write an amount so that its thousands are seen, with the amount as it is published beside it for programs.

    Parameters
    ----------
    value : Decimal, str or None [currency of the database]
        Exact.

    Returns
    -------
    Markup
        A `data` element, or a dash for none.

    Examples
    --------
    >>> str(money("65450.00"))
    '<data value="65450.00">65,450.00</data>'
    """
    if value is None:
        return Markup(NOTHING)
    return Markup('<data value="{}">{:,}</data>').format(value, Decimal(value))


def day(value: date | str | None) -> Markup:
    """Write a day.

    Parameters
    ----------
    value : date, str or None
        A day, or a month or year.

    Returns
    -------
    Markup
        A `time` element that doesn't break across lines, or a dash for none.
    """
    return Markup(NOTHING) if value is None else Markup("<time>{}</time>").format(value)


def plain(value: object) -> object:
    """Write a text, a dash where there is none.

    Parameters
    ----------
    value : object
        What is shown.

    Returns
    -------
    object
        The same, or the dash.
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    return NOTHING if value is None or value == "" else value


def words(code: str) -> str:
    """Write a name of the interface as words.

    Parameters
    ----------
    code : str
        With underscores between its words.

    Returns
    -------
    str
        With spaces instead.

    Examples
    --------
    >>> words("whole_valve")
    'whole valve'
    """
    return code.replace("_", " ")


def prose(text: object) -> str:
    """Write a sentence so that a per cent sign stays with its number at the end of a line.

    Parameters
    ----------
    text : object
        As the interface gives it.

    Returns
    -------
    str
        The same words.
    """
    return str(text).replace(" %", "\u00a0%")


def sentence(text: object) -> str:
    """Write a text of the interface as the beginning of a sentence.

    Parameters
    ----------
    text : object
        As the interface gives it.

    Returns
    -------
    str
        Its first letter a capital.

    Examples
    --------
    >>> sentence("position 1, reorder point 4")
    'Position 1, reorder point 4'
    """
    return str(text)[:1].upper() + str(text)[1:]


def segment(code: str) -> str:
    """Write a code into an address.

    Parameters
    ----------
    code : str
        May hold a slash.

    Returns
    -------
    str
        Percent-encoded.
    """
    return quote(code, safe="")


def _short(value: float | str) -> str:
    if isinstance(value, str):
        return value
    size = abs(value)
    if 0.0 < size < SMALL:
        return f"under {SMALL:g}" if value > 0.0 else f"over {MINUS}{SMALL:g}"
    sign = MINUS if value < 0.0 else ""
    if float(value).is_integer() or size >= LARGE:
        return f"{sign}{size:,.0f}"
    return f"{sign}{size:.{SHOWN_DIGITS}g}"


def _per_cent(value: float) -> str:
    if 0.0 < value < 0.1:
        return "under 0.1"
    if 99.9 < value < 100.0:
        return "over 99.9"
    return f"{value:.0f}" if 10.0 <= value < 90.0 or value in {0.0, 100.0} else f"{value:.1f}"


def _environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader(FOLDER / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {"number": number, "share": share, "day": day, "plain": plain, "segment": segment}
    made.filters |= {"span": span, "money": money, "words": words, "prose": prose, "sentence": sentence}
    return made


ENVIRONMENT = _environment()
