"""A sample workbook: cells that ask this server for one number each, to copy from."""

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, BinaryIO, cast

from msgspec import UNSET

from models.engine import Engines
from service.csv_tables import DECIMAL_MARK, Dialect
from service.formatted_sheets import Book, open_book
from service.use_cases import list_results

SAMPLE_ROWS = 12
SHEET, FIRST_ROW = "Cells", 6  # as a spreadsheet counts
HEADER = ("storeroom", "kit", "position", "reorder_point", "order_quantity", "demand_mean", "demand_p90")
# as a file names functions that came after its format; what is written here is left as it is by the library
READ, FETCHED, ENCODED = "_xlfn.NUMBERVALUE", "_xlfn.WEBSERVICE", "_xlfn.ENCODEURL"
OF_STOCK = ("position", "reorder-point", "order-quantity")
OF_DEMAND = ("demand-mean", "demand-p90")


@dataclass(frozen=True, kw_only=True)
class _Sample:
    address: str
    dialect: Dialect
    pairs: Sequence[tuple[str, str]]


def make_sample(engines: Engines, *, address: str, dialect: Dialect) -> BinaryIO:
    """Write a workbook whose cells ask a server for the first kits of the latest run.

    Parameters
    ----------
    engines : Engines
        The database.
    address : str
        Of the server, without a path; a cell of the sheet, so that it can be changed.
    dialect : `comma` or `semicolon`
        `semicolon` asks for decimal commas.

    Returns
    -------
    binary file
        At its beginning; the caller closes it.

    Raises
    ------
    InsufficientData
        If no run has finished.
    """  # noqa: DOC502 (comes from the list)
    listing = list_results.list_reorder_points(engines, run_id=None, storeroom=None, kit=None)
    pairs = [(row.storeroom, row.kit) for row in listing.read(0, SAMPLE_ROWS).rows]
    as_of = listing.top.as_of
    target = tempfile.SpooledTemporaryFile(1024 * 1024)  # noqa: SIM115 (the caller's)
    book = open_book(cast("BinaryIO", target), made_on=date.min if as_of is UNSET else as_of)
    notice = "" if listing.top.notice is UNSET else listing.top.notice
    _fill(book, _Sample(address=address, dialect=dialect, pairs=pairs), notice=notice)
    book.book.close()
    target.seek(0)
    return cast("BinaryIO", target)


def _fill(book: Book, sample: _Sample, *, notice: str) -> None:
    sheet = book.book.add_worksheet(SHEET)
    sheet.set_column(0, len(HEADER), 16)
    sheet.freeze_panes(FIRST_ROW - 1, 0)
    told = (
        ("server", sample.address),
        ("key", ""),
        ("", notice or "A key of the role sheet, from `key create sheet`."),
    )
    for row, (label, value) in enumerate(told):
        sheet.write_string(row, 0, label, book.header)
        sheet.write_string(row, 1, value)
    for place, name in enumerate(HEADER):
        sheet.write_string(FIRST_ROW - 2, place, name, book.header)
    for row, pair in enumerate(sample.pairs, start=FIRST_ROW):
        _fill_row(sheet, row, pair, sample.dialect)


def _fill_row(sheet: Any, row: int, pair: tuple[str, str], dialect: Dialect) -> None:
    for place, code in enumerate(pair):
        sheet.write_string(row - 1, place, code)
    kit = f'"&kit="&{ENCODED}($B{row})'
    of_stock = f'"?storeroom="&{ENCODED}($A{row})&{kit}'
    asked = [(name, of_stock) for name in OF_STOCK] + [(name, kit.replace('"&', '"?', 1)) for name in OF_DEMAND]
    for place, (measure, query) in enumerate(asked, start=len(pair)):
        sheet.write_formula(row - 1, place, formula_of(measure, query, dialect), None, "")


def formula_of(measure: str, query: str, dialect: Dialect) -> str:
    """Write the formula of a cell: the number, or the text that says why there is none.

    Parameters
    ----------
    measure : str
        Of /v1/cell.
    query : str
        An expression that gives the query of the address.
    dialect : `comma` or `semicolon`
        Which decimal mark is asked for, and read.

    Returns
    -------
    str
        Independent of the decimal mark of the program that opens it.

    Examples
    --------
    >>> formula_of("position", '"?storeroom=MAIN&kit=K-1"', "comma")[:44]
    '=IFERROR(_xlfn.NUMBERVALUE(_xlfn.WEBSERVICE('
    """
    key = 'IF($B$2="","","&key="&$B$2)'
    address = f'$B$1&"/v1/cell/{measure}"&{query}&"&dialect={dialect}"&{key}'
    fetched = f"{FETCHED}({address})"
    return f'=IFERROR({READ}({fetched},"{DECIMAL_MARK[dialect]}"),{fetched})'
