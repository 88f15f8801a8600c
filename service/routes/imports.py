"""Files of the record, sent in: spooled to disk first, then imported whole or not at all."""

import asyncio
import tempfile
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import Annotated, Any, BinaryIO, cast

import msgspec
from litestar import Request, Response
from litestar.datastructures import UploadFile
from litestar.di import NamedDependency
from litestar.exceptions import ClientException
from litestar.openapi.spec import OpenAPIMediaType, RequestBody, Schema
from litestar.openapi.spec.enums import OpenAPIType
from litestar.params import FromPath, QueryParameter
from msgspec import UnsetType

from models.engine import Engines
from service import problems, settings
from service.described_structs import DescribedOperation
from service.local_dates import DateOrder
from service.problem_kinds import IMPORT_REJECTED
from service.routes.answers import post_for
from service.schemas.imports import ImportedFileOut, ImportOut
from service.table_lines import RowError
from service.use_cases.choose_run import read_notice
from service.use_cases.import_archive import check_archive, import_archive
from service.use_cases.import_files import ImportRejected, ImportReport, TooManyRows, check_files, import_files
from service.workbook_lines import is_zip

AnyRequest = Request[Any, Any, Any]

TOO_LARGE, UNSUPPORTED_MEDIA_TYPE = 413, 415
ERRORS_LISTED = 1000
SPOOL_MEMORY = 1024 * 1024
CSV = "text/csv"
WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
ZIP = "application/zip"
FORM = "multipart/form-data"
TABLES = (CSV, WORKBOOK)

DryRun = Annotated[bool, QueryParameter(description="Check only; store nothing.")]
Dates = Annotated[
    DateOrder, QueryParameter(description="How days are written besides ISO 8601: never guessed, so declare it.")
]


def reject(request: AnyRequest, error: ImportRejected) -> Response[problems.ProblemDocument]:
    """Tell what is wrong in a file.

    Parameters
    ----------
    request : Request
        What was sent.
    error : ImportRejected
        Everything that is wrong.

    Returns
    -------
    Response
        A problem document with the first thousand errors.
    """
    listed = [_error(wrong) for wrong in error.errors[:ERRORS_LISTED]]
    problem = problems.document(
        IMPORT_REJECTED, detail=str(error), instance=problems.instance_of(request.scope), errors=listed
    )
    return Response(problem, status_code=problem.status, media_type=problems.MEDIA_TYPE)


def _body_of(*media_types: str) -> RequestBody:
    """Describe a body that is a file, or a form with one file in it."""
    file = Schema(type=OpenAPIType.STRING)
    form = Schema(type=OpenAPIType.OBJECT, properties={"file": file})
    content = {media_type: OpenAPIMediaType(schema=file) for media_type in media_types}
    return RequestBody(required=True, content={**content, FORM: OpenAPIMediaType(schema=form)})


@dataclass(kw_only=True)
class UploadOperation(DescribedOperation):
    """An upload of one file in the API description."""

    def __post_init__(self) -> None:
        """Say what the body may be."""
        super().__post_init__()
        self.request_body = _body_of(*TABLES)


@dataclass(kw_only=True)
class ArchiveOperation(DescribedOperation):
    """An upload of many files in the API description."""

    def __post_init__(self) -> None:
        """Say what the body may be."""
        super().__post_init__()
        self.request_body = _body_of(ZIP)


@post_for(
    "/imports/{file:str}",
    status_code=200,
    exception_handlers={ImportRejected: reject},
    operation_class=UploadOperation,
)
async def post_import(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    most_rows: NamedDependency[int],
    file: FromPath[str],
    dry_run: DryRun = False,
    dates: Dates = "iso",
) -> ImportOut:
    """Import a file of the record, named without .csv: every line of it or, if one is wrong, none."""
    bring_in = check_files if dry_run else import_files
    async with _spooled(request, *TABLES) as content:
        name = f"{file}.xlsx" if is_zip(content) else f"{file}.csv"
        report = await _brought_in(bring_in, engines, {name: content}, dates=dates, most_rows=most_rows)
    notice = await asyncio.to_thread(read_notice, engines)
    return _shaped(report, dry_run=dry_run, notice=notice)


@post_for(
    "/imports",
    status_code=200,
    exception_handlers={ImportRejected: reject},
    operation_class=ArchiveOperation,
)
async def post_archive(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    most_rows: NamedDependency[int],
    dry_run: DryRun = False,
    dates: Dates = "iso",
) -> ImportOut:
    """Import a zip archive of files of the record: every line of every file or, if one is wrong, none."""
    bring_in = check_archive if dry_run else import_archive
    async with _spooled(request, ZIP) as content:
        report = await _brought_in(bring_in, engines, content, dates=dates, most_rows=most_rows)
    notice = await asyncio.to_thread(read_notice, engines)
    return _shaped(report, dry_run=dry_run, notice=notice)


HANDLERS = (post_import, post_archive)


async def _brought_in(
    bring_in: Callable[..., ImportReport], engines: Engines, content: object, *, dates: DateOrder, most_rows: int
) -> ImportReport:
    day = settings.today()
    try:
        return await asyncio.to_thread(bring_in, engines, content, today=day, dates=dates, most_rows=most_rows)
    except TooManyRows as error:
        detail = f"The import holds more than {most_rows} rows, the most that are taken at once."
        raise ClientException(detail, status_code=TOO_LARGE) from error


def _shaped(report: ImportReport, *, dry_run: bool, notice: str | UnsetType) -> ImportOut:
    return ImportOut(
        dry_run=dry_run,
        files=msgspec.convert(report.files, list[ImportedFileOut], from_attributes=True),
        named_but_not_described=report.named_but_not_described,
        notice=notice,
    )


def _error(wrong: RowError) -> problems.ProblemError:
    return problems.ProblemError(
        file=wrong.file, line=wrong.line, column=wrong.column, value=wrong.value, expected=wrong.expected
    )


@asynccontextmanager
async def _spooled(request: AnyRequest, *media_types: str) -> AsyncIterator[BinaryIO]:
    kind, _ = request.content_type
    if kind == FORM:
        uploads = [part for part in (await request.form()).values() if isinstance(part, UploadFile)]
        if len(uploads) != 1:
            raise ClientException(f"The form holds {len(uploads)} files; expected one.")
        yield cast("BinaryIO", uploads[0].file)
        return
    if kind not in media_types:
        raise ClientException(
            f"The body is {kind or 'of no stated type'}; expected {', '.join(media_types)} or {FORM}.",
            status_code=UNSUPPORTED_MEDIA_TYPE,
        )
    with tempfile.SpooledTemporaryFile(SPOOL_MEMORY) as spool:
        async for chunk in request.stream():
            spool.write(chunk)
        spool.seek(0)
        yield cast("BinaryIO", spool)
