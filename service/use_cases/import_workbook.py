"""Import a workbook whose sheets are named after files of the record: all of them or none."""

from contextlib import ExitStack
from pathlib import Path
from typing import BinaryIO

from models.queries.files import FILES
from service.spooled_tables import ErrorList
from service.table_lines import Unreadable, row_error
from service.use_cases.import_files import ImportRejected
from service.workbook_lines import Sheet, is_zip, sheet_titles

EXPECTED = f"an .xlsx workbook whose sheets are named after files of the record: {', '.join(FILES)}"


def sheets_of(path: Path, stack: ExitStack) -> dict[str, BinaryIO | Path]:
    """Find the files of the record in a workbook, a sheet each.

    Parameters
    ----------
    path : Path
        The workbook.
    stack : ExitStack
        On which the sheets are closed.

    Returns
    -------
    dict
        As `import_files` takes them.

    Raises
    ------
    ImportRejected
        If it is no workbook, or a sheet isn't named after a file.
    """  # noqa: DOC501 (Unreadable doesn't get out)
    errors, titles = ErrorList(), list[str]()
    with path.open("rb") as stream:
        try:
            if not is_zip(stream):
                raise Unreadable(row_error(path.name, None, None, "no workbook that can be read", EXPECTED))
            titles = sheet_titles(path.name, stream)
        except Unreadable as stop:
            errors.add(stop.errors)
    unknown = [title for title in titles if title.casefold() not in FILES]
    errors.add([row_error(path.name, None, None, f"sheet {title}", EXPECTED) for title in unknown])
    if errors.count:
        raise ImportRejected(errors)
    return {f"{title}.xlsx": stack.enter_context(Sheet(path, title)) for title in titles}
