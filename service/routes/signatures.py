"""What is signed for turnarounds, and what comes after."""

from base64 import b64encode
from typing import Annotated, Any

from litestar import Request, Response, get
from litestar.di import NamedDependency
from litestar.openapi.datastructures import ResponseSpec
from litestar.params import FromPath, HeaderParameter, JSONBody

from models.engine import Engines
from service.described_structs import DescribedOperation
from service.etags import OWN_TAG, match_expected
from service.routes.answers import (
    COMMON,
    JSON,
    Asked,
    accepts_json,
    answer_list,
    documented,
    get_list,
    get_one,
    post_for,
)
from service.routes.records import takes_json
from service.routes.results import RunNumber
from service.schemas.results import Page
from service.schemas.signatures import (
    ActualOut,
    ActualRequest,
    LateScopeOut,
    LateScopeRequest,
    PaidLineOut,
    SignatureOut,
    SignRequest,
)
from service.use_cases import compare_paid, sign_turnaround

AnyRequest = Request[Any, Any, Any]
IfMatch = Annotated[
    str | None, HeaderParameter(name="If-Match", description="The ETag of the document that was seen; needed.")
]
GUARDS = [accepts_json, takes_json]
DOCUMENT = {200: ResponseSpec(dict[str, Any], description="The document", generate_examples=False)}


def _document(content: bytes, digest: str) -> Response[bytes]:
    encoded = b64encode(bytes.fromhex(digest)).decode()
    headers = {"ETag": f'"{digest}"', "Repr-Digest": f"sha-256=:{encoded}:"}
    return Response(content, media_type=JSON, headers=headers)


@get(
    "/turnarounds/{code:str}/document",
    responses={**documented(*COMMON), **DOCUMENT},
    operation_class=DescribedOperation,
    guards=[accepts_json],
    opt={OWN_TAG: True},
    sync_to_thread=True,
)
def get_document(engines: NamedDependency[Engines], code: FromPath[str], run: RunNumber = None) -> Response[bytes]:
    """Read what would be signed now; its ETag is its SHA-256, and what POST .../sign wants as If-Match."""
    found = sign_turnaround.read_document(engines, code, run_id=run)
    return _document(found.content, found.digest)


@post_for(
    "/turnarounds/{code:str}/sign",
    status_code=200,
    sync_to_thread=True,
    guards=GUARDS,
    responses=documented(*COMMON, 412, 413, 415, 422, 428),
)
def post_sign(
    engines: NamedDependency[Engines],
    code: FromPath[str],
    data: JSONBody[SignRequest],
    run: RunNumber = None,
    if_match: IfMatch = None,
) -> SignatureOut:
    """Sign the document that was seen: its bytes and their SHA-256 are kept for ever, whatever the record becomes.

    A turnaround is signed once. If-Match names the document that was seen, so nobody signs numbers they haven't.
    """
    expected = match_expected("turnarounds", if_match)
    return sign_turnaround.sign(engines, code, data, expect=lambda digest: expected(f'"{digest}"'), run_id=run)


@get_one("/turnarounds/{code:str}/signature")
def get_signature(engines: NamedDependency[Engines], code: FromPath[str]) -> SignatureOut:
    """Tell who signed a turnaround, when, and the SHA-256 of what was signed."""
    return sign_turnaround.read_signature(engines, code)


@get(
    "/turnarounds/{code:str}/signed",
    responses={**documented(*COMMON), **DOCUMENT},
    operation_class=DescribedOperation,
    guards=[accepts_json],
    opt={OWN_TAG: True},
    sync_to_thread=True,
)
def get_signed(engines: NamedDependency[Engines], code: FromPath[str]) -> Response[bytes]:
    """Read the document as it was signed: the same bytes for ever, with their SHA-256 as ETag and Repr-Digest."""
    return _document(*sign_turnaround.read_signed(engines, code))


@post_for("/turnarounds/{code:str}/late-scope", status_code=201, sync_to_thread=True, guards=GUARDS)
def post_late_scope(
    engines: NamedDependency[Engines], code: FromPath[str], data: JSONBody[LateScopeRequest]
) -> LateScopeOut:
    """Note work added or dropped after the signature: which valve, why, at what cost. It is never changed."""
    return sign_turnaround.add_late_scope(engines, code, data)


@get_list("/turnarounds/{code:str}/late-scope")
def get_late_scope(
    request: AnyRequest, engines: NamedDependency[Engines], asked: NamedDependency[Asked], code: FromPath[str]
) -> Response[Page[LateScopeOut]]:
    """List what was added or dropped after the signature, the first first."""
    return answer_list(request, asked, sign_turnaround.list_late_scope(engines, code))


@post_for("/turnarounds/{code:str}/actuals", status_code=201, sync_to_thread=True, guards=GUARDS)
def post_actual(engines: NamedDependency[Engines], code: FromPath[str], data: JSONBody[ActualRequest]) -> ActualOut:
    """Note what was really paid on a line of a signed budget; a negative amount takes an earlier one back."""
    return sign_turnaround.add_actual(engines, code, data)


@get_list("/turnarounds/{code:str}/actuals")
def get_actuals(
    request: AnyRequest, engines: NamedDependency[Engines], asked: NamedDependency[Asked], code: FromPath[str]
) -> Response[Page[ActualOut]]:
    """List what was really paid, the first first."""
    return answer_list(request, asked, sign_turnaround.list_actuals(engines, code))


@get_list("/turnarounds/{code:str}/paid-beside-budget")
def get_paid_beside_budget(
    request: AnyRequest, engines: NamedDependency[Engines], asked: NamedDependency[Asked], code: FromPath[str]
) -> Response[Page[PaidLineOut]]:
    """List the lines of the signed budget, later scope and the total, with what was paid on each."""
    return answer_list(request, asked, compare_paid.paid_beside_budget(engines, code))


HANDLERS = (
    get_document,
    post_sign,
    get_signature,
    get_signed,
    post_late_scope,
    get_late_scope,
    post_actual,
    get_actuals,
    get_paid_beside_budget,
)
