"""Roles: one table of what each may do, and what each request needs."""

from collections.abc import Mapping

from models.access import ROLES
from models.queries.files import FILES

READ, RUN, CLOSE, ACCEPT, ADMINISTER = "read", "run", "close findings", "accept proposals", "administer"
STORES = frozenset({"stock", "lots", "orders", "reservations", "issues", "stock_settings"})
REGISTER = frozenset(FILES) - STORES
CHANGING = ("create", "change", "delete", "import")


def _to(files: frozenset[str], *ways: str) -> frozenset[str]:
    return frozenset(f"{way} {file}" for way in ways for file in files)


# What each role may do. Only `sheet` may come as ?key=; only `admin` has everything.
MAY: dict[str, frozenset[str]] = {
    "reader": frozenset({READ}),
    "sheet": frozenset({READ}),
    "bench": frozenset({READ}) | _to(frozenset({"events"}), "create"),
    "storeroom": frozenset({READ, ACCEPT}) | _to(STORES, *CHANGING),
    "planner": frozenset({READ, RUN, CLOSE}) | _to(REGISTER, *CHANGING),
    "admin": frozenset({READ, RUN, CLOSE, ACCEPT, ADMINISTER}) | _to(frozenset(FILES), *CHANGING),
}
WAY_OF = {"POST": "create", "PATCH": "change", "DELETE": "delete"}
POSTED = {"runs": RUN, "what_if": READ, "data_findings": CLOSE, "reorder_points": ACCEPT}
"""What posting below these needs; a question what if stores nothing."""
FOR_ADMINISTRATORS = ("keys", "audit")
FORMS = {"record-rebuild": "create events", "sign-in": READ, "sign-out": READ, "sign-out-everywhere": READ}
"""What sending a form of a page needs, by the end of its address."""


def needed(method: str, path_template: str, path_params: Mapping[str, object]) -> str:
    """Say what a request needs its caller to be allowed.

    Parameters
    ----------
    method : str
        GET, POST, PATCH or DELETE.
    path_template : str
        The route, as `/v1/kits/{code}`.
    path_params : mapping
        What stands in its place holders.

    Returns
    -------
    str
        READ, RUN, CLOSE, ACCEPT, ADMINISTER, or a way of changing and a file; ADMINISTER for what this table
        does not know.
    """
    segments = path_template.strip("/").split("/")
    noun = segments[1].replace("-", "_") if len(segments) > 1 else ""
    if segments[0] != "v1":
        return READ if method == "GET" else FORMS.get(segments[-1], ADMINISTER)
    if noun in FOR_ADMINISTRATORS:
        return ADMINISTER
    if method == "GET":
        return READ
    if segments[-1] == "accept":
        return ACCEPT
    if noun in POSTED:
        return POSTED[noun]
    if noun == "imports":
        return f"import {str(path_params.get('file')).casefold()}" if "file" in path_params else ADMINISTER
    return f"{WAY_OF.get(method)} {noun}" if noun in FILES else ADMINISTER


def may(role: str, need: str) -> bool:
    """Say whether a role allows something.

    Parameters
    ----------
    role : str
        One of `models.access.ROLES`.
    need : str
        As `needed` gives it; importing a file that there is not is nobody's business but the importer's.

    Returns
    -------
    bool
        False for a role that there is not.
    """
    way, _, file = need.partition(" ")
    if way == "import" and file not in FILES:
        return any(right.startswith("import ") for right in MAY.get(role, ()))
    return need in MAY.get(role, ())


def allowed_to(need: str) -> list[str]:
    """List the roles that allow something.

    Parameters
    ----------
    need : str
        As `needed` gives it.

    Returns
    -------
    list of str
        In the order of `models.access.ROLES`.
    """
    return [role for role in ROLES if may(role, need)]
