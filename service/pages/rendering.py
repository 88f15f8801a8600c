"""From what a use case answers to a page: the templates, and how numbers, days and shares are written."""

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from urllib.parse import quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

FOLDER = Path(__file__).parent
ASSETS = FOLDER / "assets"
NOTHING = "–"
SHOWN_DIGITS = 3
LARGE = 1000.0


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
    >>> str(number(None))
    '–'
    """
    if value is None:
        return Markup(NOTHING)
    return Markup('<data value="{}">{}</data>').format(value, _short(value))


def share(value: float | None) -> Markup:
    """Write a share in per cent, with the number as it is published beside it for programs.

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
    '<data value="0.0512">5.12 %</data>'
    """
    if value is None:
        return Markup(NOTHING)
    return Markup('<data value="{}">{} %</data>').format(value, _short(100.0 * value))


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
    if float(value).is_integer() or abs(value) >= LARGE:
        return f"{value:,.0f}"
    return f"{value:.{SHOWN_DIGITS}g}"


def _environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader(FOLDER / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {"number": number, "share": share, "day": day, "plain": plain, "segment": segment}
    return made


ENVIRONMENT = _environment()
