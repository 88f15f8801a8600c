"""The API description of who may do what: the roles of each operation, and how a key of each is sent."""

from litestar.handlers import HTTPRouteHandler
from litestar.openapi.spec import Components, SecurityRequirement, SecurityScheme
from litestar.plugins import ReceiveRoutePlugin
from litestar.routes import BaseRoute, HTTPRoute

from service.access_rules import CELLS, SHEET
from service.roles import allowed_to, needed
from service.routes.answers import ListOperation

BEARER, ADDRESS = "bearer", "address"
WITHOUT_DESCRIPTION = {"OPTIONS", "HEAD"}
SCHEMES = Components(
    security_schemes={
        BEARER: SecurityScheme(
            type="http", scheme="bearer", description="A key; a requirement names a role that it may have."
        ),
        ADDRESS: SecurityScheme(
            type="apiKey",
            name="key",
            security_scheme_in="query",
            description="A key of the role sheet, in the address of a cell, or of a list with format=csv.",
        ),
    }
)


class DescribedRoles(ReceiveRoutePlugin):
    """States each role that an operation allows as one of its alternative requirements."""

    def receive_route(self, route: BaseRoute) -> None:
        """State the roles of a route; what isn't under /v1 needs no key."""
        if isinstance(route, HTTPRoute) and route.path_format.startswith("/v1/"):
            for handler in route.route_handlers:
                for method in handler.http_methods - WITHOUT_DESCRIPTION:
                    handler.security = _requirements(handler, str(method), route.path_format)


def _requirements(handler: HTTPRouteHandler, method: str, path: str) -> list[SecurityRequirement]:
    # a file that there is not: allowed to those who may import some file
    roles = allowed_to(needed(method, path, {"file": "file"} if "{file" in path else {}))
    is_open_to_sheets = handler.operation_class is ListOperation or path.startswith(CELLS)
    in_address = [{ADDRESS: [SHEET]}] if SHEET in roles and is_open_to_sheets else []
    return [*({BEARER: [role]} for role in roles), *in_address]
