"""Keys and the audit trail, for those who run the server."""

from typing import Annotated, Any

from litestar import Request, Response
from litestar.di import NamedDependency
from litestar.params import JSONBody, PathParameter

from models.engine import Engines
from service.ready_answers import NOT_KEPT
from service.routes.answers import LARGEST_ID, Asked, answer_list, get_list, get_one, post_for
from service.schemas.access import AuditChangeOut, AuditEntryOut, KeyOut, KeyRequest, NewKeyOut
from service.schemas.results import Page
from service.use_cases import list_audit, manage_keys

AnyRequest = Request[Any, Any, Any]
Number = Annotated[int, PathParameter(ge=1, le=LARGEST_ID)]


@post_for("/keys", sync_to_thread=True, opt={"shown_once": "key"})
def post_key(engines: NamedDependency[Engines], data: JSONBody[KeyRequest]) -> Response[NewKeyOut]:
    """Make a key for a named holder. The answer shows it, once."""
    made = manage_keys.create_key(engines, role=data.role, holder=data.holder, expires_at=data.expires_at)
    return Response(made, status_code=201, headers={"Location": f"/v1/keys/{made.id}", "Cache-Control": "no-store"})


@get_list("/keys", opt={NOT_KEPT: True})
def get_keys(
    request: AnyRequest, engines: NamedDependency[Engines], asked: NamedDependency[Asked]
) -> Response[Page[KeyOut]]:
    """List the keys there are and were: holder, role, when they end; never a key itself."""
    return answer_list(request, asked, manage_keys.list_keys(engines))


@get_one("/keys/{key_id:int}", opt={NOT_KEPT: True})
def get_key(engines: NamedDependency[Engines], key_id: Number) -> KeyOut:
    """Tell whose a key is, what it may do and whether it still counts."""
    return manage_keys.read_key(engines, key_id)


@post_for("/keys/{key_id:int}/revoke", status_code=200, sync_to_thread=True)
def post_revoke(engines: NamedDependency[Engines], key_id: Number) -> KeyOut:
    """Refuse a key from now on."""
    return manage_keys.revoke_key(engines, key_id)


@get_list("/audit")
def get_audit(
    request: AnyRequest, engines: NamedDependency[Engines], asked: NamedDependency[Asked]
) -> Response[Page[AuditEntryOut]]:
    """List what was changed, by whom, when and in which request, the newest first."""
    return answer_list(request, asked, list_audit.list_entries(engines))


@get_list("/audit/{entry_id:int}/changes")
def get_audit_changes(
    request: AnyRequest, engines: NamedDependency[Engines], asked: NamedDependency[Asked], entry_id: Number
) -> Response[Page[AuditChangeOut]]:
    """List the rows that an entry changed, as they were and as they became."""
    return answer_list(request, asked, list_audit.list_changes(engines, entry_id))


HANDLERS = (post_key, get_keys, get_key, post_revoke, get_audit, get_audit_changes)
