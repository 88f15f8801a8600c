"""At the bench: the rebuild sheet of a valve as JSON and as a page to print, and the form to record a rebuild."""

from typing import Annotated

from litestar import Response, Router, get, post
from litestar.di import NamedDependency
from litestar.params import FromPath, QueryParameter
from litestar.response import Redirect

from models.engine import Engines
from service.front_door import CALLER
from service.pages.rendering import segment
from service.roles import FORMS, may
from service.routes.answers import get_one
from service.routes.page_answers import TOKEN, AnyRequest, answer_page, answer_problem, expect_own_form
from service.routes.sign_in import Form
from service.schemas.rebuild_sheet import RebuildSheetOut
from service.settings import today
from service.use_cases.read_rebuild_sheet import read_rebuild_sheet
from service.use_cases.record_rebuild import record_rebuild, typed_number

Pressure = Annotated[
    float | None,
    QueryParameter(gt=0, le=1e6, description="kPa over the seat on test; for class V the largest in service."),
]
AsLeft = Annotated[
    float | None, QueryParameter(ge=0, le=1e9, description="ml/min that the seat leaked on that test; is judged.")
]

Typed = Annotated[str, QueryParameter(max_length=20, description="A number as somebody typed it.")]


@get_one("/v1/valves/{tag:str}/rebuild-sheet")
def get_rebuild_sheet(
    engines: NamedDependency[Engines],
    tag: FromPath[str],
    pressure_drop_kpa: Pressure = None,
    as_left_ml_per_min: AsLeft = None,
) -> RebuildSheetOut:
    """Tell what a technician needs to rebuild a valve: kits, parts, stock, checks, allowed seat leakage, cautions."""
    return read_rebuild_sheet(
        engines, tag, today=today(), pressure_drop_kpa=pressure_drop_kpa, as_left_ml_per_min=as_left_ml_per_min
    )


@get("/valves/{tag:str}/rebuild-sheet", sync_to_thread=True, include_in_schema=False)
def get_sheet_page(
    request: AnyRequest,
    engines: NamedDependency[Engines],
    tag: FromPath[str],
    pressure_drop_kpa: Typed = "",
    as_left_ml_per_min: Typed = "",
) -> Response[str]:
    """Show the rebuild sheet of a valve, to print."""
    pressure, as_left = (typed_number(text) for text in (pressure_drop_kpa, as_left_ml_per_min))
    sheet = read_rebuild_sheet(
        engines, tag, today=today(), pressure_drop_kpa=pressure or None, as_left_ml_per_min=as_left
    )
    asked = {"pressure": pressure_drop_kpa, "as_left": as_left_ml_per_min}
    return answer_page(request, engines, "rebuild_sheet.html", sheet=sheet, asked=asked)


@get("/valves/{tag:str}/record-rebuild", sync_to_thread=True, include_in_schema=False)
def get_record_rebuild(request: AnyRequest, engines: NamedDependency[Engines], tag: FromPath[str]) -> Response[str]:
    """Show the form to record a rebuild."""
    sheet = read_rebuild_sheet(engines, tag, today=today(), pressure_drop_kpa=None, as_left_ml_per_min=None)
    allowed = may(request.scope["state"][CALLER].role, FORMS["record-rebuild"])
    return answer_page(request, engines, "record_rebuild.html", sheet=sheet, day_of=today(), allowed=allowed)


@post("/valves/{tag:str}/record-rebuild", status_code=303, sync_to_thread=True, include_in_schema=False)
def post_record_rebuild(
    request: AnyRequest, engines: NamedDependency[Engines], tag: FromPath[str], data: Form
) -> Redirect:
    """Record a rebuild; the same form sent twice is recorded once."""
    expect_own_form(request, data)
    event = record_rebuild(engines, tag, data, sent_as=data[TOKEN], today=today())
    return Redirect(f"/valves/{segment(event.tag)}?recorded={event.ref}", status_code=303)


PAGES = Router(
    "/",
    route_handlers=[get_sheet_page, get_record_rebuild, post_record_rebuild],
    exception_handlers={Exception: answer_problem},
)
HANDLERS = (get_rebuild_sheet, PAGES)
