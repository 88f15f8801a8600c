"""The kinds of problem there are: one page each under /problems."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class ProblemKind:
    """A kind of problem: its page is /problems/<name>, its title never changes."""

    name: str
    status: int
    title: str
    advice: str


INVALID_INPUT = ProblemKind(
    name="invalid-input",
    status=400,
    title="The request can't be read or breaks the contract.",
    advice="The members of `errors` say what was sent and what was expected. Mend it and send it again.",
)
IMPORT_REJECTED = ProblemKind(
    name="import-rejected",
    status=400,
    title="The file was not imported.",
    advice="Each entry of `errors` names file, line, column, value and what was expected. "
    "Nothing was stored: mend the lines and send the whole file again. `?dry_run=true` checks only.",
)
KEY_REQUIRED = ProblemKind(
    name="key-required",
    status=401,
    title="A key is needed.",
    advice="Send a key that was made for you, has not expired and was not revoked: Authorization: Bearer KEY. "
    "Whoever runs the server makes keys with `valve-kits key create`. A key of the role sheet may stand in the address "
    "as ?key=, of lists with format=csv and of cells only.",
)
ROLE_TOO_LOW = ProblemKind(
    name="role-too-low",
    status=403,
    title="The role of this key does not allow that.",
    advice="`detail` says which roles do. Ask for a key of one of them, or ask somebody who has one.",
)
REFUSED = ProblemKind(
    name="refused",
    status=403,
    title="This request is refused.",
    advice="A server started with --open answers only requests made on the computer it runs on, "
    "under the names localhost, 127.0.0.1 or [::1], and none that were forwarded.",
)
NOT_FOUND = ProblemKind(
    name="not-found",
    status=404,
    title="There is no such thing here.",
    advice="The address or the code in it is not known. A slash within a code is written %2F. "
    "The paths are listed at /schema.",
)
METHOD_NOT_ALLOWED = ProblemKind(
    name="method-not-allowed",
    status=405,
    title="This address does not take that method.",
    advice="The Allow header lists the methods it takes.",
)
NOT_ACCEPTABLE = ProblemKind(
    name="not-acceptable",
    status=406,
    title="The answer exists in none of the wanted formats.",
    advice="Lists are given as application/json, text/csv or .xlsx, everything else as application/json. "
    "Set the Accept header, or ?format=json, ?format=csv or ?format=xlsx.",
)
CONFLICT = ProblemKind(
    name="conflict",
    status=409,
    title="The request conflicts with what is there.",
    advice="`detail` says with what. Resolve that, or wait, and ask again.",
)
NOT_ENOUGH_DATA = ProblemKind(
    name="not-enough-data",
    status=409,
    title="There is not enough data to answer.",
    advice="`detail` says what is missing, and what supplies it.",
)
NO_CONVERGENCE = ProblemKind(
    name="no-convergence",
    status=409,
    title="The calculation did not settle on an answer.",
    advice="`detail` says which one. The data may not determine an answer; none is given rather than a wrong one.",
)
INFEASIBLE_TARGET = ProblemKind(
    name="infeasible-target",
    status=409,
    title="No level reaches the wanted target.",
    advice="Lower the target, or change what limits it; `detail` says what does.",
)
STALE = ProblemKind(
    name="stale",
    status=412,
    title="The record has changed since it was read.",
    advice="If-Match names another state of the record than the present one. Read it again, look at what changed, "
    "and send the change again with the new ETag.",
)
TOO_LARGE = ProblemKind(
    name="too-large",
    status=413,
    title="The request is larger than this server reads.",
    advice="Split the file, or have the server started with a larger --import-limit-mib or --import-limit-rows; "
    "`detail` says where it was the rows.",
)
UNSUPPORTED_MEDIA_TYPE = ProblemKind(
    name="unsupported-media-type",
    status=415,
    title="The body is of a kind that can't be read here.",
    advice="A file is sent as text/csv (curl: --header 'Content-Type: text/csv' --data-binary @FILE), as an .xlsx "
    "workbook or as a multipart form, many files as application/zip; everything else as application/json.",
)
REPEATED_DIFFERENTLY = ProblemKind(
    name="repeated-differently",
    status=422,
    title="The Idempotency-Key was used for another request.",
    advice="A key stands for one request, for 24 hours. Send another request under a key of its own.",
)
MATCH_REQUIRED = ProblemKind(
    name="match-required",
    status=428,
    title="The change must say which state of the record it changes.",
    advice="Read the record, and send the ETag of that answer as If-Match, so that nobody's change is lost.",
)
TOO_MANY_REQUESTS = ProblemKind(
    name="too-many-requests",
    status=429,
    title="This key has asked too often.",
    advice="Wait as many seconds as the Retry-After header says. Lists can be read whole as CSV, in one request.",
)
INTERNAL_ERROR = ProblemKind(
    name="internal-error",
    status=500,
    title="The service failed.",
    advice="This is a fault of the service and was logged. Nothing was stored by the request.",
)
UNAVAILABLE = ProblemKind(
    name="unavailable",
    status=503,
    title="The service can't answer just now.",
    advice="The database is busy, can't be reached or is not migrated; /health/ready says which. Try again later.",
)

KINDS: dict[str, ProblemKind] = {
    kind.name: kind
    for kind in (
        INVALID_INPUT,
        IMPORT_REJECTED,
        KEY_REQUIRED,
        ROLE_TOO_LOW,
        REFUSED,
        NOT_FOUND,
        METHOD_NOT_ALLOWED,
        NOT_ACCEPTABLE,
        CONFLICT,
        NOT_ENOUGH_DATA,
        NO_CONVERGENCE,
        INFEASIBLE_TARGET,
        STALE,
        TOO_LARGE,
        UNSUPPORTED_MEDIA_TYPE,
        REPEATED_DIFFERENTLY,
        MATCH_REQUIRED,
        TOO_MANY_REQUESTS,
        INTERNAL_ERROR,
        UNAVAILABLE,
    )
}

KIND_OF_STATUS: dict[int, ProblemKind] = {
    kind.status: kind
    for kind in (
        INVALID_INPUT,
        KEY_REQUIRED,
        REFUSED,
        NOT_FOUND,
        METHOD_NOT_ALLOWED,
        NOT_ACCEPTABLE,
        CONFLICT,
        STALE,
        TOO_LARGE,
        UNSUPPORTED_MEDIA_TYPE,
        REPEATED_DIFFERENTLY,
        MATCH_REQUIRED,
        TOO_MANY_REQUESTS,
        INTERNAL_ERROR,
        UNAVAILABLE,
    )
}
