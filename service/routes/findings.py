"""Data findings: what in the record can't be true or can't be used; closing them; voiding an event."""

from typing import Annotated, Any

from litestar import Request, Response
from litestar.di import NamedDependency
from litestar.params import FromPath, JSONBody, PathParameter, QueryParameter

from models.engine import Engines
from models.queries.findings import FindingFilter
from service.routes.answers import LARGEST_ID, Asked, accepts_json, answer_list, get_list, post_for
from service.routes.records import takes_json
from service.routes.results import RunNumber
from service.schemas.findings import ClosingRequest, FindingOut, ReopeningRequest, VoidOut, VoidRequest
from service.schemas.results import Page
from service.use_cases import close_finding, list_findings, reopen_finding, void_event

AnyRequest = Request[Any, Any, Any]
Number = Annotated[int, PathParameter(ge=1, le=LARGEST_ID)]


@get_list("/data-findings")
def get_data_findings(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    asked: NamedDependency[Asked],
    run: RunNumber = None,
    kind: Annotated[str | None, QueryParameter(max_length=60, description="Only this kind.")] = None,
    open: Annotated[bool | None, QueryParameter(description="true: not closed yet; false: closed.")] = None,
) -> Response[Page[FindingOut]]:
    """List what can't be true or can't be used, what was done about it, what that costs, who closed it."""
    listing = list_findings.list_findings(engines, run_id=run, wanted=FindingFilter(kind=kind, open=open))
    return answer_list(request, asked, listing)


@post_for(
    "/data-findings/{finding_id:int}/close", status_code=200, sync_to_thread=True, guards=[accepts_json, takes_json]
)
def post_close(engines: NamedDependency[Engines], finding_id: Number, data: JSONBody[ClosingRequest]) -> FindingOut:
    """Close a finding: leave it, merge what it is about, or void its event. It stays closed while its facts do."""
    return close_finding.close_finding(engines, finding_id, data)


@post_for(
    "/data-findings/{finding_id:int}/reopen", status_code=200, sync_to_thread=True, guards=[accepts_json, takes_json]
)
def post_reopen(engines: NamedDependency[Engines], finding_id: Number, data: JSONBody[ReopeningRequest]) -> FindingOut:
    """Reopen a finding: what its closing voided, merged or placed is lifted, and nothing else."""
    return reopen_finding.reopen_finding(engines, finding_id, data)


@post_for("/events/{ref:str}/{tag:str}/void", status_code=200, sync_to_thread=True, guards=[accepts_json, takes_json])
def post_void(
    engines: NamedDependency[Engines], ref: FromPath[str], tag: FromPath[str], data: JSONBody[VoidRequest]
) -> VoidOut:
    """Void an event: it stays in the record, and no forecast reads it while its facts stay as they are."""
    return void_event.void_event(engines, ref, tag, reason=data.reason)


HANDLERS = (get_data_findings, post_close, post_reopen, post_void)
