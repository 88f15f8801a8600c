"""Records of every file: list, create, read, change, delete; one handler of each kind, made for each file."""

from collections.abc import Callable
from typing import Annotated, Any, Final, cast
from urllib.parse import quote

from litestar import Request, Response, delete, get, patch
from litestar.connection import ASGIConnection
from litestar.di import NamedDependency
from litestar.exceptions import ClientException
from litestar.handlers import HTTPRouteHandler
from litestar.handlers.base import BaseRouteHandler
from litestar.params import FromPath, HeaderParameter, JSONBody
from msgspec import UNSET, Struct, UnsetType, defstruct, structs

from models.engine import Engines
from models.queries.files import FILES
from service import settings
from service.described_structs import DescribedOperation
from service.etags import MATCH_NEEDED, OWN_TAG, match_expected, names
from service.listings import Listing
from service.routes.answers import COMMON, Asked, accepts_json, answer_list, documented, get_list, post_for
from service.schemas.records import RECORDS, EventRecord
from service.schemas.results import Page
from service.use_cases import change_records
from service.use_cases.change_records import Found

AnyRequest = Request[Any, Any, Any]
JSON_LIMIT_BYTES: Final = 1024 * 1024
UNSUPPORTED_MEDIA_TYPE = 415

IfMatch = Annotated[str | None, HeaderParameter(name="If-Match", description="The ETag of the state that is changed.")]
IfNoneMatch = Annotated[str | None, HeaderParameter(name="If-None-Match", description="The ETag of what you have.")]
IdempotencyKey = Annotated[
    str | None,
    HeaderParameter(name="Idempotency-Key", description="A repeat within 24 hours gets the same answer."),
]


def takes_json(request: ASGIConnection[Any, Any, Any, Any], _: BaseRouteHandler) -> None:
    """Refuse a body that says it is not JSON.

    Parameters
    ----------
    request : ASGIConnection
        The request.

    Raises
    ------
    ClientException
        With status 415.
    """
    kind = request.headers.get("Content-Type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        detail = f"The body is {kind or 'of no stated type'}; expected application/json."
        raise ClientException(detail, status_code=UNSUPPORTED_MEDIA_TYPE)


def changes_of(file: str) -> type[Struct]:
    """Make the Struct of a change: the columns of a record that are no part of its key, each optional.

    Parameters
    ----------
    file : str
        A name in RECORDS.

    Returns
    -------
    type of Struct
        A column left out stays as it is; null clears it where a record may lack it.
    """
    record = RECORDS[file]
    fields = [
        (field.name, field.type | UnsetType, UNSET)
        for field in structs.fields(record)
        if field.name not in FILES[file].key
    ]
    name = record.__name__.replace("Record", "Change")
    doc = f"What to change; a column left out stays as it is, null clears it. {record.__doc__}"
    return defstruct(name, fields, kw_only=True, forbid_unknown_fields=True, namespace={"__doc__": doc})


def _noun(file: str) -> str:
    return file.replace("_", "-")


def _plural(file: str) -> str:
    return f"the {file.replace('_', ' ')}"


def _path(file: str) -> str:
    return "/".join(("", _noun(file), *(f"{{{name}:str}}" for name in FILES[file].key)))


def _address(request: AnyRequest, file: str) -> list[str]:
    return [str(request.path_params[name]) for name in FILES[file].key]


def _returns(handler: Callable[..., object], shape: object) -> None:
    # the API description and the encoder read it; a type checker can't know it
    handler.__annotations__["return"] = shape


def _of(generic: Any, member: object) -> Any:
    return generic[member]


def _answer(found: Found) -> Response[Any]:
    return Response(found.record, headers={"ETag": found.tag})


def _match_note(file: str) -> str:
    return " If-Match is needed: the ETag of the state that was read." if file in MATCH_NEEDED else ""


def _event_address(file: str) -> str:
    return " An event without ref has done_on:action:number in its place." if file == "events" else ""


def _lists(file: str) -> HTTPRouteHandler:
    def list_records(
        request: AnyRequest, engines: NamedDependency[Engines], asked: NamedDependency[Asked]
    ) -> Response[Any]:
        return answer_list(request, asked, change_records.list_records(engines, file))

    _returns(list_records, _of(Response, _of(Page, RECORDS[file])))
    described = f"List {_plural(file)}, in the order in which they came in."
    return get_list(f"/{_noun(file)}", name=f"list {file}", description=described)(list_records)


def _creates(file: str) -> HTTPRouteHandler:
    def create_record(
        engines: NamedDependency[Engines], data: Any, idempotency_key: IdempotencyKey = None
    ) -> Response[Any]:
        made = change_records.create_record(engines, file, data, today=settings.today())
        path = "/".join(quote(part, safe="") for part in made.address)
        return Response(made.record, headers={"ETag": made.tag, "Location": f"/v1/{_noun(file)}/{path}"})

    create_record.__annotations__["data"] = _of(JSONBody, RECORDS[file])
    _returns(create_record, _of(Response, RECORDS[file]))
    return post_for(
        f"/{_noun(file)}",
        name=f"create {file}",
        description=f"Create one of {_plural(file)}. Codes named for the first time exist from then on.",
        guards=[accepts_json, takes_json],
        request_max_body_size=JSON_LIMIT_BYTES,
        sync_to_thread=True,
    )(create_record)


def _reads(file: str) -> HTTPRouteHandler:
    def read_record(
        request: AnyRequest, engines: NamedDependency[Engines], if_none_match: IfNoneMatch = None
    ) -> Response[Any]:
        found = change_records.read_record(engines, file, _address(request, file))
        if if_none_match is not None and names(if_none_match, found.tag):
            return Response(None, status_code=304, headers={"ETag": found.tag})
        return _answer(found)

    _returns(read_record, _of(Response, RECORDS[file]))
    return get(
        _path(file),
        name=f"read {file}",
        description=f"Read one of {_plural(file)}.{_event_address(file)}",
        responses=documented(*COMMON),
        operation_class=DescribedOperation,
        guards=[accepts_json],
        opt={OWN_TAG: True},
        sync_to_thread=True,
    )(read_record)


def _changes(file: str) -> HTTPRouteHandler:
    def change_record(
        request: AnyRequest, engines: NamedDependency[Engines], data: Any, if_match: IfMatch = None
    ) -> Response[Any]:
        given = {name: value for name, value in structs.asdict(data).items() if value is not UNSET}
        expect = match_expected(file, if_match)
        address = _address(request, file)
        return _answer(
            change_records.change_record(engines, file, address, given, expect=expect, today=settings.today())
        )

    change_record.__annotations__["data"] = _of(JSONBody, changes_of(file))
    _returns(change_record, _of(Response, RECORDS[file]))
    return patch(
        _path(file),
        name=f"change {file}",
        description=f"Change one of {_plural(file)}.{_match_note(file)}{_event_address(file)}",
        responses=documented(*COMMON, 412, 413, 415, 428),
        operation_class=DescribedOperation,
        guards=[accepts_json, takes_json],
        request_max_body_size=JSON_LIMIT_BYTES,
        sync_to_thread=True,
    )(change_record)


def _deletes(file: str) -> HTTPRouteHandler:
    def delete_record(request: AnyRequest, engines: NamedDependency[Engines], if_match: IfMatch = None) -> None:
        expect = match_expected(file, if_match)
        change_records.delete_record(engines, file, _address(request, file), expect=expect)

    return delete(
        _path(file),
        name=f"delete {file}",
        description=f"Delete one of {_plural(file)} that nothing else names.{_match_note(file)}{_event_address(file)}",
        responses=documented(*COMMON, 412, 428),
        operation_class=DescribedOperation,
        sync_to_thread=True,
    )(delete_record)


@get_list("/valves/{tag:str}/events")
def get_events_of_valve(
    request: AnyRequest, engines: NamedDependency[Engines], asked: NamedDependency[Asked], tag: FromPath[str]
) -> Response[Page[EventRecord]]:
    """List what was done to a valve."""
    return answer_list(request, asked, cast("Listing[EventRecord]", change_records.list_events_of(engines, tag)))


HANDLERS = (
    *(make(file) for file in FILES for make in (_lists, _creates, _reads, _changes, _deletes)),
    get_events_of_valve,
)
