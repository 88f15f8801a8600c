"""How answers leave: JSON or CSV as wanted, lists in parts, every handler documented with its problems."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Annotated, Any, BinaryIO, Literal, cast
from urllib.parse import parse_qsl, urlencode

from litestar import Request, Response, get, post
from litestar.connection import ASGIConnection
from litestar.datastructures.headers import Accept
from litestar.exceptions import ClientException
from litestar.handlers.base import BaseRouteHandler
from litestar.openapi.datastructures import ResponseSpec
from litestar.openapi.spec import OpenAPIMediaType, Schema
from litestar.openapi.spec.enums import OpenAPIFormat, OpenAPIType
from litestar.params import QueryParameter
from litestar.response import Stream
from msgspec import UNSET, structs

from service import problems
from service.csv_cells import day_columns
from service.csv_tables import Dialect, write_table
from service.described_structs import DescribedOperation
from service.listings import Listing, Part, Row
from service.problem_kinds import KIND_OF_STATUS
from service.schemas.results import Page, columns_of
from service.workbook_tables import write_workbook

JSON, CSV = "application/json", "text/csv"
XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
BLOCK = 64 * 1024
ROWS_PER_PAGE, MOST_ROWS = 100, 1000
LARGEST_ID = 2**31 - 1
NOT_ACCEPTABLE = 406


@dataclass(kw_only=True)
class ListOperation(DescribedOperation):
    """A list in the API description: JSON, and CSV and a workbook beside it."""

    def __post_init__(self) -> None:
        """Add CSV and the workbook to what the 200 answer may contain."""
        super().__post_init__()
        answer = (self.responses or {}).get("200")
        content: Any = getattr(answer, "content", None)
        content[CSV] = OpenAPIMediaType(schema=Schema(type=OpenAPIType.STRING))
        content[XLSX] = OpenAPIMediaType(schema=Schema(type=OpenAPIType.STRING, format=OpenAPIFormat.BINARY))


def documented(*statuses: int) -> Mapping[int, ResponseSpec]:
    """Describe the problems that a handler may answer with.

    Parameters
    ----------
    *statuses : int
        Of the problems.

    Returns
    -------
    mapping
        For the `responses` of a handler.
    """
    return {
        status: ResponseSpec(
            problems.ProblemDocument,
            description=KIND_OF_STATUS[status].title,
            media_type=problems.MEDIA_TYPE,
            generate_examples=False,
        )
        for status in statuses
    }


def accepts_json(request: ASGIConnection[Any, Any, Any, Any], _: BaseRouteHandler) -> None:
    """Refuse a request whose sender reads no JSON.

    Parameters
    ----------
    request : ASGIConnection
        The request.

    Raises
    ------
    ClientException
        With status 406.
    """
    wanted = request.query_params.get("format", "json")
    if wanted != "json" or _best_match(request, JSON) is None:
        raise ClientException("This is given as application/json only.", status_code=NOT_ACCEPTABLE)


COMMON = (400, 401, 403, 404, 406, 409, 429, 500, 503)
get_list = partial(get, responses=documented(*COMMON), operation_class=ListOperation, sync_to_thread=True)
get_one = partial(
    get, responses=documented(*COMMON), operation_class=DescribedOperation, guards=[accepts_json], sync_to_thread=True
)
post_for = partial(
    post, responses=documented(*COMMON, 413, 415, 422), operation_class=DescribedOperation, guards=[accepts_json]
)


@dataclass(frozen=True, kw_only=True)
class Asked:
    """How a list is wanted: which part of it, and as what."""

    media_type: str
    dialect: Dialect
    cursor: int
    limit: int | None


def how_asked(
    request: Request[Any, Any, Any],
    format: Annotated[
        Literal["json", "csv", "xlsx"] | None, QueryParameter(description="Overrides the Accept header.")
    ] = None,
    dialect: Annotated[Dialect, QueryParameter(description="Of CSV: semicolon has decimal commas.")] = "comma",
    cursor: Annotated[int, QueryParameter(ge=0, le=LARGEST_ID, description="From @odata.nextLink.")] = 0,
    limit: Annotated[
        int | None,
        QueryParameter(ge=1, le=MOST_ROWS, description="Rows; CSV and .xlsx without it are the whole list."),
    ] = None,
) -> Asked:
    """Find out how a list is wanted.

    Parameters
    ----------
    request : Request
        Its Accept header says what its sender reads.
    format, dialect, cursor, limit : query parameters
        As described there.

    Returns
    -------
    Asked
        How it is wanted.

    Raises
    ------
    ClientException
        With status 406 if none of JSON, CSV and .xlsx is.
    """
    media_type = {"json": JSON, "csv": CSV, "xlsx": XLSX, None: _best_match(request, JSON, CSV, XLSX)}[format]
    if media_type is None:
        raise ClientException("Lists are given as application/json, text/csv or .xlsx.", status_code=NOT_ACCEPTABLE)
    return Asked(media_type=media_type, dialect=dialect, cursor=cursor, limit=limit)


def answer_list(request: Request[Any, Any, Any], asked: Asked, listing: Listing[Row]) -> Response[Page[Row]]:
    """Answer with a list, or with a part of it.

    Parameters
    ----------
    request : Request
        What was asked; the link to the next part keeps its filters.
    asked : Asked
        How the list is wanted.
    listing : Listing
        The list.

    Returns
    -------
    Response
        JSON, or CSV or a workbook streamed.
    """
    if asked.media_type != JSON and asked.limit is None:
        return _as_file(request, asked, listing, listing.rows(), {})
    part = listing.read(asked.cursor, asked.limit or ROWS_PER_PAGE)
    following = _following(request, listing, part)
    headers = {} if following is None else {"Link": f'<{following}>; rel="next"'}
    if asked.media_type != JSON:
        return _as_file(request, asked, listing, iter(part.rows), headers)
    page = structs.replace(listing.top, value=part.rows, next_link=following or UNSET)
    return Response(page, media_type=JSON, headers={**headers, "Vary": "Accept"})


def _as_file(
    request: Request[Any, Any, Any],
    asked: Asked,
    listing: Listing[Row],
    rows: Iterator[Row],
    headers: Mapping[str, str],
) -> Response[Page[Row]]:
    columns, notice = columns_of(listing.shape), listing.top.notice
    said = () if notice is UNSET else ("notice",)
    header = [*columns, *said]
    cells = ({**structs.asdict(row), "notice": notice} for row in rows)
    if asked.media_type == XLSX:
        suffix = "xlsx"
        table: Iterator[str | bytes] = blocks_of(write_workbook(header, cells, days=day_columns(listing.shape)))
    else:
        suffix, table = "csv", iter(write_table(header, cells, dialect=asked.dialect))
    name = request.url.path.rstrip("/").rpartition("/")[2]
    stream = Stream(
        table,
        media_type=asked.media_type,
        headers={**headers, "Vary": "Accept", "Content-Disposition": f'attachment; filename="{name}.{suffix}"'},
    )
    # the API description tells these from JSON by ListOperation, not by this type
    return cast("Response[Page[Row]]", stream)


def blocks_of(file: BinaryIO) -> Iterator[bytes]:
    """Read a file block by block.

    Parameters
    ----------
    file : binary file
        Closed at its end.

    Yields
    ------
    bytes
        At most 64 KiB.
    """
    with file:
        while block := file.read(BLOCK):
            yield block


def _following(request: Request[Any, Any, Any], listing: Listing[Row], part: Part[Row]) -> str | None:
    if part.next_cursor is None:
        return None
    query = dict(parse_qsl(request.scope["query_string"].decode("latin-1"), keep_blank_values=True))
    query["cursor"] = str(part.next_cursor)
    if listing.top.run is not UNSET:
        query["run"] = str(listing.top.run)
    return f"{problems.instance_of(request.scope)}?{urlencode(query)}"


def _best_match(request: ASGIConnection[Any, Any, Any, Any], *media_types: str) -> str | None:
    return Accept(request.headers.get("Accept", "*/*")).best_match(list(media_types))
